/*
 * A host that keeps a big-endian guest's RAM as some emulators do: with the bytes of each word
 * moved. Byte p of the guest stands at p ^ MASK of the host (0 big, 1 swap16, 3 swap32,
 * 2 halfswap), and two frame counters in it go on as a game's do.
 *
 * usage: word_host IMAGE MASK COPIES BEGAN ENDED
 *
 * IMAGE: guest RAM in guest order; COPIES: how many stale copies to keep, below and above the live
 * one; BEGAN, ENDED: offsets of the counters. It prints the address of the live RAM and of each
 * copy, one a line, then "ready". It then obeys a letter a line from standard input, and answers
 * each with a line:
 *   p  the counters pause        g  they go on
 *   c  a copy's counters go on with the live ones
 *   h  the page at 0x1000 is taken out of the live RAM
 *   r  the page at 0x2000 is made read-only, as an emulator does that watches for writes
 *   m  the live RAM moves; the old one is given back; answers its new address
 *   n  the game goes on in new RAM; the old one stays as it was; answers the new address
 *   x  the RAM is given back and no new one taken
 *   d  the process is made unreadable for others of its user
 *   e  a copy of the process runs on under the same name; answers its number
 */
#define _GNU_SOURCE
#include <fcntl.h>
#include <poll.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/mman.h>
#include <sys/prctl.h>
#include <sys/stat.h>
#include <unistd.h>

static size_t size, began, ended;
static unsigned mask;

static uint8_t *ram(void)
{
	/* a guard page each side keeps two of these from being one mapping */
	uint8_t *at = mmap(NULL, size + 0x2000, PROT_NONE, MAP_PRIVATE | MAP_ANONYMOUS, -1, 0);

	if (at == MAP_FAILED || mprotect(at + 0x1000, size, PROT_READ | PROT_WRITE)) {
		perror("memory");
		exit(1);
	}
	return at + 0x1000;
}

static uint8_t *filled(const uint8_t *image)
{
	uint8_t *at = ram();

	for (size_t p = 0; p < size; p++)
		at[p ^ mask] = image[p];
	return at;
}

static void put(uint8_t *at, size_t offset, uint32_t value)
{
	for (int i = 0; i < 4; i++)
		at[(offset + i) ^ mask] = value >> (24 - 8 * i);
}

int main(int count, char **words)
{
	if (count != 6)
		return 2;
	int file = open(words[1], O_RDONLY);
	struct stat about;
	if (file < 0 || fstat(file, &about))
		return 2;
	size = about.st_size;
	mask = atoi(words[2]);
	int copies = atoi(words[3]);
	began = strtoul(words[4], NULL, 0);
	ended = strtoul(words[5], NULL, 0);
	uint8_t *image = mmap(NULL, size, PROT_READ, MAP_PRIVATE, file, 0);
	uint8_t *stale[512] = { 0 };
	for (int i = 0; i < copies / 2; i++)
		stale[i] = filled(image);
	uint8_t *live = filled(image);
	for (int i = copies / 2; i < copies; i++)
		stale[i] = filled(image);
	printf("%p\n", (void *)live);
	for (int i = 0; i < copies; i++)
		printf("%p\n", (void *)stale[i]);
	munmap(image, size);
	puts("ready");
	fflush(stdout);

	uint32_t frame = 1000;
	int running = 1, both = 0, there = 1;
	struct pollfd input = { .fd = 0, .events = POLLIN };
	for (;;) {
		if (running && there) {
			frame++;
			put(live, began, frame);
			if (both)
				put(stale[0], began, frame);
			put(live, ended, frame);
			if (both)
				put(stale[0], ended, frame);
		}
		if (poll(&input, 1, 5) <= 0)
			continue;
		char letter;
		if (read(0, &letter, 1) != 1)
			return 0;
		uint8_t *old = live;
		switch (letter) {
		case 'p':
			running = 0;
			break;
		case 'g':
			running = 1;
			break;
		case 'c':
			both = 1;
			break;
		case 'h':
			munmap(live + 0x1000, 0x1000);
			break;
		case 'r':
			mprotect(live + 0x2000, 0x1000, PROT_READ);
			break;
		case 'm':
			live = ram();
			memcpy(live, old, size);
			munmap(old, size);
			break;
		case 'n':
			live = ram();
			memcpy(live, old, size);
			running = 1;
			break;
		case 'x':
			munmap(live, size);
			there = 0;
			break;
		case 'd':
			prctl(PR_SET_DUMPABLE, 0);
			break;
		case 'e': {
			pid_t child = fork();
			if (!child) {
				prctl(PR_SET_PDEATHSIG, 9);
				for (;;)
					pause();
			}
			printf("%d\n", child);
			fflush(stdout);
			continue;
		}
		default:
			continue;
		}
		printf("%p\n", (void *)live);
		fflush(stdout);
	}
}
