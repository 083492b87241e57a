/*
 * A host for Windows that keeps a big-endian guest's RAM as some emulators do: with the bytes of
 * each word moved. Byte p of the guest stands at p ^ MASK of the host (0 big, 1 swap16, 3 swap32,
 * 2 halfswap), and two frame counters in it go on as a game's do.
 *
 * usage: tide_host IMAGE MASK BEGAN ENDED [MAPPING OFFSET]
 *
 * IMAGE: guest RAM in guest order; BEGAN, ENDED: offsets of the counters; MAPPING: the name of the
 * file mapping in which the RAM is kept, at OFFSET; else it is memory of its own. It prints its
 * number and the address of the RAM, then "ready". It then obeys a letter a line from standard
 * input, and answers each with a line of two numbers:
 *   p  the counters pause: both counters, as the RAM says them
 *   g  they go on: both counters
 *   q  both counters
 *   u  the page in the middle of the RAM becomes a guard page: its protection and state
 *   n  it may not be accessed: the same
 *   d  it is given back: the same
 *   k  its protection and state, and nothing is done
 *   w  it may be read and written: the same
 *   m  the RAM moves, and the old one is given back: the new address and 0
 *   x  the RAM is given back and no new one taken: 0 and 0
 *   v  the file mapping is seen at another address too: that of the RAM in it and 0
 *   l  nobody is given any right to the process: 1 and 0
 *   e  the process ends with the code 259
 */
#include <windows.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static size_t size, began, ended;
static unsigned mask;
static uint8_t *live;
static HANDLE mapping;
static size_t mapping_offset;
static int running = 1;
static CRITICAL_SECTION turn;

static void die(const char *what)
{
	fprintf(stderr, "%s: %lu\n", what, GetLastError());
	exit(1);
}

/* memory with pages around it that are reserved only */
static uint8_t *own_ram(void)
{
	uint8_t *at = VirtualAlloc(NULL, size + 0x20000, MEM_RESERVE, PAGE_NOACCESS);

	if (!at || !VirtualAlloc(at + 0x10000, size, MEM_COMMIT, PAGE_READWRITE))
		die("memory");
	return at + 0x10000;
}

static uint8_t *view(void)
{
	uint8_t *at = mapping ? MapViewOfFile(mapping, FILE_MAP_WRITE, 0, 0, 0) : NULL;

	if (!at)
		die("mapping");
	return at + mapping_offset;
}

static uint8_t *shared_ram(const char *name, size_t offset)
{
	mapping_offset = offset;
	mapping = CreateFileMappingA(INVALID_HANDLE_VALUE, NULL, PAGE_READWRITE, 0,
				     (DWORD)(size + offset), name);
	return view();
}

/* an empty list grants nothing */
static BOOL lock_process(void)
{
	SECURITY_DESCRIPTOR about;
	ACL nobody;

	return InitializeSecurityDescriptor(&about, SECURITY_DESCRIPTOR_REVISION) &&
	       InitializeAcl(&nobody, sizeof nobody, ACL_REVISION) &&
	       SetSecurityDescriptorDacl(&about, TRUE, &nobody, FALSE) &&
	       SetKernelObjectSecurity(GetCurrentProcess(), DACL_SECURITY_INFORMATION, &about);
}

static size_t size_of(const char *path)
{
	FILE *file = fopen(path, "rb");
	long found;

	if (!file || fseek(file, 0, SEEK_END) || (found = ftell(file)) <= 0)
		die("image");
	fclose(file);
	return (size_t)found;
}

static void put(size_t offset, uint32_t value)
{
	for (int i = 0; i < 4; i++)
		live[(offset + i) ^ mask] = (uint8_t)(value >> (24 - 8 * i));
}

static uint32_t get(size_t offset)
{
	uint32_t value = 0;

	for (int i = 0; i < 4; i++)
		value = value << 8 | live[(offset + i) ^ mask];
	return value;
}

/* the counters come last: what is seen before them is a game that has not begun */
static void load(const char *path)
{
	uint8_t *ram = live, *whole = malloc(size);
	FILE *file = fopen(path, "rb");
	uint32_t first, last;

	if (!file || !whole)
		die("image");
	for (size_t p = 0; p < size; p++)
		whole[p ^ mask] = (uint8_t)fgetc(file);
	fclose(file);
	live = whole;
	first = get(began);
	last = get(ended);
	put(began, 0);
	put(ended, 0);
	live = memcpy(ram, whole, size);
	free(whole);
	put(began, first);
	put(ended, last);
}

static void answer(unsigned long long first, unsigned long long second)
{
	printf("%llu %llu\n", first, second);
	fflush(stdout);
}

static DWORD WINAPI play(void *nothing)
{
	(void)nothing;
	for (;;) {
		EnterCriticalSection(&turn);
		if (running && live) {
			uint32_t frame = get(began) + 1;

			put(began, frame);
			put(ended, frame);
		}
		LeaveCriticalSection(&turn);
		Sleep(5);
	}
	return 0;
}

static void obey(int letter)
{
	uint8_t *middle = live ? live + (size / 2 & ~(size_t)0xFFF) : NULL, *old = live;
	MEMORY_BASIC_INFORMATION about;
	DWORD before;

	switch (letter) {
	case 'p':
	case 'g':
	case 'q':
		if (letter != 'q')
			running = letter == 'g';
		answer(get(began), get(ended));
		return;
	case 'u':
		VirtualProtect(middle, 0x1000, PAGE_READWRITE | PAGE_GUARD, &before);
		break;
	case 'n':
		VirtualProtect(middle, 0x1000, PAGE_NOACCESS, &before);
		break;
	case 'w':
		VirtualProtect(middle, 0x1000, PAGE_READWRITE, &before);
		break;
	case 'd':
		VirtualFree(middle, 0x1000, MEM_DECOMMIT);
		break;
	case 'm':
		live = own_ram();
		memcpy(live, old, size);
		VirtualFree(old - 0x10000, 0, MEM_RELEASE);
		answer((uintptr_t)live, 0);
		return;
	case 'x':
		live = NULL;
		VirtualFree(old - 0x10000, 0, MEM_RELEASE);
		answer(0, 0);
		return;
	case 'v':
		answer((uintptr_t)view(), 0);
		return;
	case 'l':
		answer(lock_process(), 0);
		return;
	case 'e':
		ExitProcess(259);
	case 'k':
		break;
	default:
		return;
	}
	VirtualQuery(middle, &about, sizeof about);
	answer(about.Protect, about.State);
}

int main(int count, char **words)
{
	if (count != 5 && count != 7)
		return 2;
	size = size_of(words[1]);
	mask = (unsigned)atoi(words[2]);
	began = strtoul(words[3], NULL, 0);
	ended = strtoul(words[4], NULL, 0);
	live = count == 7 ? shared_ram(words[5], strtoul(words[6], NULL, 0)) : own_ram();
	load(words[1]);
	InitializeCriticalSection(&turn);
	answer(GetCurrentProcessId(), (uintptr_t)live);
	puts("ready");
	fflush(stdout);
	if (!CreateThread(NULL, 0, play, NULL, 0, NULL))
		die("thread");
	for (int letter; (letter = getchar()) != EOF;) {
		EnterCriticalSection(&turn);
		obey(letter);
		LeaveCriticalSection(&turn);
	}
	return 0;
}
