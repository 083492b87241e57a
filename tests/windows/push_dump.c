/*
 * Sends a dump's RAM to lowhalf for Windows with the C kit, as a game that goes on would.
 *
 * usage: push_dump PORT DUMP ORDER FIRST LAST BEGAN ENDED [again]
 *
 * DUMP: guest RAM as an emulator holds it in the kit's ORDER (0 or 2); FIRST, LAST: the frames to
 * send; BEGAN, ENDED: offsets of the two counters, which say the frame; again: HELLO is said each
 * second until it is welcome, as behind a serial line. It prints "sent LAST" and
 * waits for a line on standard input. Where nobody welcomes it, or the connection is lost, it
 * prints "lost" and the code.
 */
#include "lhp_client.h"

#include <stdio.h>
#include <stdlib.h>

#ifdef _WIN32
#define pause_ms(count) Sleep(count)
#else
#include <poll.h>
#define pause_ms(count) poll(NULL, 0, count)
#endif

#define START 0x80000000u

static uint8_t *ram;
static lhp_client client;

static void read_ram(void *user, uint32_t address, uint8_t *into, uint32_t length)
{
	(void)user;
	memcpy(into, ram + (address - START), length);
}

static void count(size_t at, int order, uint32_t frame)
{
	unsigned byte;

	for (byte = 0; byte < 4; byte++)
		ram[(at + byte) ^ (order == 2 ? 3u : 0u)] = (uint8_t)(frame >> (8 * (3 - byte)));
}

/* lowhalf may just be closing its port, so that it can listen anew */
static int greet(lhp_socket *connection, unsigned port, size_t size, int order, int again)
{
	int tries, polls;

	for (tries = 0; tries < 200; tries++, pause_ms(100)) {
		if (lhp_connect(connection, "127.0.0.1", port) != 0)
			continue;
		lhp_start(&client, lhp_socket_io(connection), START, (uint32_t)size, order,
			  "my pier", "");
		for (polls = 1; lhp_poll(&client) == 0 && !client.welcome; polls++) {
			pause_ms(10);
			if (again && polls % 100 == 0)
				lhp_hello(&client);
		}
		if (client.welcome)
			return 0;
		lhp_disconnect(connection);
	}
	return -1;
}

static int lost(void)
{
	printf("lost %u\n", client.code);
	return 1;
}

int main(int words, char **word)
{
	lhp_socket connection;
	FILE *dump = words >= 8 ? fopen(word[2], "rb") : NULL;
	uint32_t frame, last;
	size_t size = 0, began, ended;
	int order;

	ram = malloc(1u << 24);
	if (!dump || !ram)
		return 2;
	size = fread(ram, 1, 1u << 24, dump);
	fclose(dump);
	order = atoi(word[3]);
	frame = (uint32_t)strtoul(word[4], NULL, 0);
	last = (uint32_t)strtoul(word[5], NULL, 0);
	began = strtoul(word[6], NULL, 0);
	ended = strtoul(word[7], NULL, 0);
	if (greet(&connection, (unsigned)atoi(word[1]), size, order, words > 8) != 0)
		return lost();
	while (frame <= last) {
		int done;

		count(began, order, frame);
		count(ended, order, frame);
		done = lhp_frame(&client, frame, read_ram, NULL);
		if (done < 0)
			return lost();
		if (done > 0)
			frame++;
		pause_ms(10);
	}
	printf("sent %lu\n", (unsigned long)last);
	fflush(stdout);
	getchar();
	lhp_finish(&client);
	lhp_disconnect(&connection);
	return 0;
}
