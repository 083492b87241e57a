/* Allocators of five styles, played at random in a guest's memory, and what they say of themselves.

   allocators STYLE SEED COUNT DUMPS

   Each of COUNT times some blocks are handed out and taken back.  Then the memory goes to the file
   DUMPS as it is, and to the output go lines "START SIZE USED", by address, and a line "." : what
   is used by the player's own book, which no allocator sees, and what of the arena it leaves. */
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

enum { BASE = 0x80000000u, SIZE = 0x4000, LOW = 0x1000, HIGH = 0x3000, MOST = 64 };

static unsigned char memory[SIZE];

static uint32_t get(uint32_t at) {
    const unsigned char *p = memory + (at - BASE);
    return (uint32_t)p[0] << 24 | (uint32_t)p[1] << 16 | (uint32_t)p[2] << 8 | p[3];
}

static void put(uint32_t at, uint32_t value) {
    unsigned char *p = memory + (at - BASE);
    p[0] = value >> 24, p[1] = value >> 16, p[2] = value >> 8, p[3] = value;
}

/* what the game keeps at fixed places: see the schemas in test_heap_forms.py */
#define FIRST (BASE + 0x100)  /* low_last, free_head */
#define SECOND (BASE + 0x104) /* high_last */
#define TABLE (BASE + 0x200)  /* bits, handles */
#define ARENA (BASE + LOW)
#define END (BASE + HIGH)

/* the player's book */
static struct held { uint32_t start, size, low, high; int handle; } book[MOST];
static int held;

static uint32_t chance(uint32_t below) { return (uint32_t)rand() % below; }

static void note(uint32_t start, uint32_t size, uint32_t low, uint32_t high) {
    book[held++] = (struct held){start, size, low, high, 0};
}

static void forget(int index) { book[index] = book[--held]; }

/* a stack at either end; a header is size and the block before */
static uint32_t low_top, high_top;

static void stack_play(void) {
    int high = chance(2);
    if (chance(5) < 3) {
        uint32_t size = 8 * (1 + chance(30)), last = get(high ? SECOND : FIRST);
        if (held == MOST || high_top - low_top < size + 8) return;
        uint32_t at = high ? (high_top -= size + 8) : low_top;
        if (!high) low_top += size + 8;
        put(at, size), put(at + 4, last), put(high ? SECOND : FIRST, at);
        note(at + 8, size, at, at + 8 + size);
    } else {
        uint32_t at = get(high ? SECOND : FIRST);
        if (!at) return;
        put(high ? SECOND : FIRST, get(at + 4));
        if (high) high_top += get(at) + 8;
        else low_top -= get(at) + 8;
        for (int i = 0; i < held; i++)
            if (book[i].low == at) forget(i--);
    }
}

/* a pool of slots, of which bit i of a table says whether slot i is used */
enum { SLOTS = 100, SLOT = 0x30 };

static void bitmap_play(void) {
    if (chance(5) < 3 && held < MOST) {
        for (uint32_t i = 0; i < SLOTS; i++)
            if (!(get(TABLE + i / 32 * 4) >> i % 32 & 1)) {
                put(TABLE + i / 32 * 4, get(TABLE + i / 32 * 4) | 1u << i % 32);
                note(ARENA + i * SLOT, SLOT, ARENA + i * SLOT, ARENA + (i + 1) * SLOT);
                return;
            }
    } else if (held) {
        int index = chance(held);
        uint32_t i = (book[index].start - ARENA) / SLOT;
        put(TABLE + i / 32 * 4, get(TABLE + i / 32 * 4) & ~(1u << i % 32));
        forget(index);
    }
}

/* free nodes of next and size lie in free memory alone; first fit, merged by address */
static void free_play(void) {
    if (chance(5) < 3) {
        uint32_t size = 8 * (1 + chance(30));
        for (uint32_t link = FIRST, node; held < MOST && (node = get(link)); link = node) {
            uint32_t there = get(node + 4);
            if (there < size) continue;
            if (there == size) put(link, get(node));
            else put(node + size, get(node)), put(node + size + 4, there - size), put(link, node + size);
            memset(memory + (node - BASE), 0xA5, size);
            note(node, size, node, node + size);
            return;
        }
    } else if (held) {
        int index = chance(held);
        uint32_t at = book[index].start, size = book[index].size, link = FIRST, node;
        while ((node = get(link)) && node < at) link = node;
        put(at, node), put(at + 4, size), put(link, at);
        if (node && at + size == node) put(at, get(node)), put(at + 4, size + get(node + 4));
        if (link != FIRST && link + get(link + 4) == at)
            put(link, get(at)), put(link + 4, get(link + 4) + get(at + 4));
        forget(index);
    }
}

/* every block has a header of next and size; the free ones alone are listed, the newest first, and
   are never merged */
static void headers_play(void) {
    if (chance(5) < 3) {
        uint32_t size = 8 * (1 + chance(30));
        for (uint32_t link = FIRST, node; held < MOST && (node = get(link)); link = node) {
            uint32_t there = get(node + 4);
            if (there < size) continue;
            if (there < size + 16) size = there, put(link, get(node));
            else {
                uint32_t rest = node + 8 + size;
                put(rest, get(node)), put(rest + 4, there - size - 8), put(link, rest);
                put(node + 4, size);
            }
            put(node, 0x57A1E000u);
            note(node + 8, size, node, node + 8 + size);
            return;
        }
    } else if (held) {
        int index = chance(held);
        uint32_t at = book[index].low;
        put(at, get(FIRST)), put(FIRST, at);
        forget(index);
    }
}

/* blocks with a header of size and handle, known by a table of pointers; at times all move down */
static uint32_t bump = ARENA;

static void handles_play(void) {
    uint32_t what = chance(20);
    if (what < 12) {
        uint32_t size = 8 * (1 + chance(30));
        if (held == MOST || END - bump < size + 8) return;
        int handle = 0;
        while (get(TABLE + 4 * handle)) handle++;
        put(bump, size), put(bump + 4, handle), put(TABLE + 4 * handle, bump + 8);
        note(bump + 8, size, bump, bump + 8 + size);
        book[held - 1].handle = handle;
        bump += size + 8;
    } else if (what < 19 && held) {
        int index = chance(held);
        put(TABLE + 4 * book[index].handle, 0);
        forget(index);
    } else {
        uint32_t to = ARENA;
        for (uint32_t at = ARENA; at < bump;) {
            uint32_t all = get(at) + 8, handle = get(at + 4), next = at + all;
            if (get(TABLE + 4 * handle) == at + 8) {
                memmove(memory + (to - BASE), memory + (at - BASE), all);
                put(TABLE + 4 * handle, to + 8);
                for (int i = 0; i < held; i++)
                    if (book[i].start == at + 8 && book[i].handle == (int)handle)
                        book[i].start = to + 8, book[i].low = to, book[i].high = to + all;
                to += all;
            }
            at = next;
        }
        bump = to;
    }
}

static int by_address(const void *one, const void *other) {
    uint32_t a = ((const struct held *)one)->low, b = ((const struct held *)other)->low;
    return (a > b) - (a < b);
}

int main(int count, char **words) {
    static const struct { const char *name; void (*play)(void); int gaps, runs; uint32_t end; } styles[] = {
        {"stack", stack_play, 1, 0, END},     {"bitmap", bitmap_play, SLOT, 0, ARENA + SLOTS * SLOT},
        {"free", free_play, 1, 1, END},       {"headers", headers_play, 0, 0, END},
        {"handles", handles_play, 1, 0, END},
    };
    if (count != 5) return 2;
    int style = 0;
    while (strcmp(styles[style].name, words[1])) style++;
    srand(atoi(words[2]));
    FILE *dumps = fopen(words[4], "wb");
    if (!dumps) return 2;
    low_top = ARENA, high_top = END;
    if (style == 2) put(FIRST, ARENA), put(ARENA, 0), put(ARENA + 4, END - ARENA);
    if (style == 3) put(FIRST, ARENA), put(ARENA, 0), put(ARENA + 4, END - ARENA - 8);
    for (int n = atoi(words[3]); n--;) {
        for (int plays = 1 + chance(8); plays--;) styles[style].play();
        fwrite(memory, 1, SIZE, dumps);
        static struct held sorted[MOST];
        memcpy(sorted, book, sizeof book);
        qsort(sorted, held, sizeof *sorted, by_address);
        uint32_t at = ARENA;
        for (int i = 0; i <= held; i++) {
            uint32_t low = i < held ? sorted[i].low : styles[style].end;
            if (styles[style].gaps == SLOT)
                for (; at < low; at += SLOT) printf("%x %x 0\n", at, SLOT);
            else if (styles[style].gaps && at < low) printf("%x %x 0\n", at, low - at);
            else if (!styles[style].gaps)
                /* free blocks that touch stay apart: their own headers tell their sizes */
                for (; at < low; at += 8 + get(at + 4)) printf("%x %x 0\n", at + 8, get(at + 4));
            if (i == held) break;
            uint32_t start = sorted[i].start, high = sorted[i].high;
            if (styles[style].runs)
                while (i + 1 < held && sorted[i + 1].low == high) high = sorted[++i].high;
            printf("%x %x 1\n", start, styles[style].runs ? high - start : sorted[i].size);
            at = high;
        }
        puts(".");
    }
    return fclose(dumps);
}
