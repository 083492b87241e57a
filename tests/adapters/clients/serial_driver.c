/* A console program with a chatty serial line: every word of its RAM is the frame's number. */
#include "lhp_client.h"

#include <fcntl.h>
#include <poll.h>
#include <stdio.h>
#include <unistd.h>

static lhp_client client;
static uint32_t number;

static int uart_send(void *user, const uint8_t *bytes, uint32_t length)
{
    uint32_t sent = 0;
    while (sent < length) {
        const ssize_t count = write(*(const int *)user, bytes + sent, length - sent);
        if (count < 0)
            return -1;
        sent += (uint32_t)count;
    }
    return (int)sent;
}

static int uart_receive(void *user, uint8_t *into, uint32_t room)
{
    struct pollfd ready;
    ready.fd = *(const int *)user;
    ready.events = POLLIN;
    ready.revents = 0;
    if (poll(&ready, 1, 0) <= 0)
        return 0;
    return (int)read(ready.fd, into, room);
}

static void read_ram(void *user, uint32_t address, uint8_t *into, uint32_t length)
{
    uint32_t at;
    (void)user;
    for (at = 0; at < length; at++)
        into[at] = (uint8_t)(number >> (8 * (3 - (address + at) % 4)));
}

int main(int count, char **words)
{
    static const char text[] = "lantern lit\r\n";
    lhp_io io;
    int line;
    if (count != 2)
        return 2;
    line = open(words[1], O_RDWR | O_NOCTTY);
    if (line < 0)
        return 2;
    io.send = uart_send;
    io.receive = uart_receive;
    io.user = &line;
    lhp_start(&client, io, 0x80000000u, 0x4000, 0, "console", "");
    client.hello_every = 20;
    for (number = 1; number < 6000; number++) {
        if (number % 7 == 0)
            uart_send(&line, (const uint8_t *)text, sizeof text - 1);
        if (lhp_frame(&client, number, read_ram, NULL) < 0)
            return 1;
        poll(NULL, 0, 5);
    }
    return 0;
}
