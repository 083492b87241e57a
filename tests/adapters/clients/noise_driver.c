/* Takes whatever comes on standard input for what lowhalf says, and sends frames meanwhile. */
#include "lhp_client.h"

#include <stdio.h>
#include <stdlib.h>

static const uint32_t base = 0x80000000u, size = 0x4000;
static lhp_client client;
static unsigned long asked;

static int send_nowhere(void *user, const uint8_t *bytes, uint32_t length)
{
    (void)user;
    (void)bytes;
    return (int)length;
}

static int receive(void *user, uint8_t *into, uint32_t room)
{
    /* a pause behind every 37 bytes, so that frames go out in the middle of messages */
    static int pause;
    (void)user;
    pause = !pause;
    return pause ? (int)fread(into, 1, room < 37 ? room : 37, stdin) : 0;
}

static void read_ram(void *user, uint32_t address, uint8_t *into, uint32_t length)
{
    (void)user;
    if (address < base || address - base > size || length > size - (address - base))
        abort();
    memset(into, 0, length);
    asked += length;
}

int main(void)
{
    lhp_io io;
    uint32_t number, frames = 0;
    io.send = send_nowhere;
    io.receive = receive;
    io.user = NULL;
    lhp_start(&client, io, base, size, 0, "", "");
    client.hello_every = 3;
    for (number = 0; !feof(stdin); number++) {
        const int done = lhp_frame(&client, number, read_ram, NULL);
        if (done < 0)
            return 1;
        frames += (uint32_t)done;
    }
    printf("%lu %lu\n", (unsigned long)frames, asked);
    return 0;
}
