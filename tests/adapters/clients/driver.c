/* What driver.py is, with the C kit. */
#include "lhp_client.h"

#include <stdio.h>
#include <stdlib.h>

#ifdef _WIN32
#define pause_ms(count) Sleep(count)
#else
#include <poll.h>
#define pause_ms(count) poll(NULL, 0, count)
#endif

enum { BASE_HIGH = 0x8000, COURIER = 0x1000, LANTERN = 0x2000, SECOND = 0x3000, RAM_SIZE = 0x4000 };

static const uint32_t base = (uint32_t)BASE_HIGH << 16;
static uint8_t ram[RAM_SIZE];
static uint32_t swap;
static lhp_client client;

static void poke(uint32_t at, unsigned size, uint32_t value)
{
    unsigned index;
    for (index = 0; index < size; index++)
        ram[(at + index) ^ swap] = (uint8_t)(value >> (8 * (size - 1 - index)));
}

static void read_ram(void *user, uint32_t address, uint8_t *into, uint32_t length)
{
    (void)user;
    memcpy(into, ram + (address - base), length);
}

static int lost(const char *reason)
{
    printf("lost: %s (code %u)\n", reason, client.code);
    return 1;
}

int main(int count, char **words)
{
    lhp_socket connection;
    FILE *file;
    size_t size;
    uint32_t sent = 0, frames;
    int order;
    if (count != 6)
        return 2;
    order = atoi(words[4]);
    frames = (uint32_t)atoi(words[5]);
    swap = order == 2 ? 3 : 0;
    file = fopen(words[3], "rb");
    if (file == NULL)
        return 2;
    size = fread(ram, 1, sizeof ram, file);
    fclose(file);
    if (lhp_connect(&connection, "127.0.0.1", (unsigned)atoi(words[2])) != 0)
        return lost("nothing listens");
    lhp_start(&client, lhp_socket_io(&connection), base, (uint32_t)size, order, "test pier", "");
    while (sent < frames) {
        const uint32_t number = 100 + sent;
        int done;
        poke(LANTERN + 0x2E, 2, number);
        poke(SECOND + 0x2E, 2, number);
        if (number == 150)
            poke(COURIER + 0x13C, 4, base + SECOND);
        done = lhp_frame(&client, number, read_ram, NULL);
        if (done < 0)
            return lost("the connection");
        if (done > 0)
            sent++;
        pause_ms(10);
    }
    lhp_finish(&client);
    lhp_disconnect(&connection);
    return 0;
}
