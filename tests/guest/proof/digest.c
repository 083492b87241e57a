/* A rolling digest of the game's state, for a build that proves its own memory.
 *
 * It is linked beside the game with --wrap=heap_summarise, the last of a frame's work but for the
 * frame's own marks, so the released builds have nothing of it. CRC-32 as ITU-T V.42 defines it,
 * 8.1.1.6.2: bits reversed, all ones before, complemented behind. Over, as they lie in memory:
 * the frame's number, the digest before, the sea, the heap's arena, and the public
 * variables from `fault` to `ledger`. */
#include "../tidewright.h"

#define ARENA_SIZE 0x10000u
#define SEA_SIZE 0x2000u
#define STIRRED 64u

typedef struct {
    u32 frame;
    u32 before;
    u32 digest;
    u32 spare;
    u32 sea[SEA_SIZE];
} Proof;

/* Between the heap and the stack, where nothing else is; the emulator's RAM begins as zeros. */
#define PROOF ((Proof *)0x80300000)

extern u8 arena_base[];
void __real_heap_summarise(void);
void __wrap_heap_summarise(void);

static u32 table[256];

static u32 crc(u32 sum, const void *from, u32 length)
{
    const u8 *at = from;
    while (length--)
        sum = table[(sum ^ *at++) & 0xFF] ^ (sum >> 8);
    return sum;
}

static void make_table(void)
{
    for (u32 byte = 0; byte < 256; byte++) {
        u32 sum = byte;
        for (u32 bit = 0; bit < 8; bit++)
            sum = (sum >> 1) ^ (sum & 1 ? 0xEDB88320u : 0);
        table[byte] = sum;
    }
}

/* Some words all over the sea are others in each frame. */
static void stir(void)
{
    u32 word = PROOF->digest ^ frame_began;
    for (u32 count = 0; count < STIRRED; count++) {
        word = word * 1664525u + 1013904223u;
        PROOF->sea[(word >> 8) % SEA_SIZE] ^= word;
    }
}

void __wrap_heap_summarise(void)
{
    __real_heap_summarise();
    if (!table[1])
        make_table();
    stir();
    PROOF->frame = frame_began;
    PROOF->before = PROOF->digest;
    u32 sum = crc(~0u, PROOF, 8);
    sum = crc(sum, PROOF->sea, sizeof PROOF->sea);
    sum = crc(sum, arena_base, ARENA_SIZE);
    sum = crc(sum, &fault, (u32)(&ledger + 1) - (u32)&fault);
    PROOF->digest = ~sum;
}
