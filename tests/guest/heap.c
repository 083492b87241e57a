/* A first-fit heap: one list of blocks in the order of their addresses, free ones merged.
 *
 * A released block keeps its bytes, as in most games: whoever still points there reads what
 * was, until the block is handed out again. */
#include "tidewright.h"

#define ARENA_SIZE 0x10000u
#define GRAIN 16u

extern u8 arena_base[];

void heap_begin(void)
{
    heap_begin_at(0);
}

/* The heap's base lies so many bytes behind the arena's. */
void heap_begin_at(u32 offset)
{
    memset(arena_base, 0, ARENA_SIZE);
    heap_start = (u32)arena_base + offset;
    heap_end = (u32)arena_base + ARENA_SIZE;
    heap_head = (BlockHeader *)heap_start;
    heap_head->magic = BLOCK_MAGIC;
    heap_head->size = heap_end - heap_start - sizeof(BlockHeader);
    stale_address = 0;
    reuse_frame = 0;
}

static void split(BlockHeader *block, u32 size)
{
    if (block->size < size + sizeof(BlockHeader) + GRAIN)
        return;
    BlockHeader *rest = (BlockHeader *)((u8 *)(block + 1) + size);
    rest->magic = BLOCK_MAGIC;
    rest->used = 0;
    rest->reuses = 0;
    rest->size = block->size - size - sizeof(BlockHeader);
    rest->next = block->next;
    rest->previous = block;
    if (rest->next)
        rest->next->previous = rest;
    block->next = rest;
    block->size = size;
}

static void merge_with_next(BlockHeader *block)
{
    BlockHeader *next = block->next;
    block->size += sizeof(BlockHeader) + next->size;
    block->next = next->next;
    if (block->next)
        block->next->previous = block;
}

static void note_reuse(u32 start, u32 size)
{
    if (stale_address && !reuse_frame && stale_address - start < size)
        reuse_frame = frame_began;
}

/* NULL when no block is large enough. The bytes are cleared. */
void *heap_allocate(u32 size)
{
    size = (size + GRAIN - 1) & ~(GRAIN - 1);
    for (BlockHeader *block = heap_head; block; block = block->next) {
        if (block->used || block->size < size)
            continue;
        split(block, size);
        block->used = 1;
        block->reuses++;
        memset(block + 1, 0, block->size);
        note_reuse((u32)(block + 1), block->size);
        return block + 1;
    }
    return NULL;
}

void heap_release(void *payload)
{
    BlockHeader *block = (BlockHeader *)payload - 1;
    block->used = 0;
    if (block->next && !block->next->used)
        merge_with_next(block);
    if (block->previous && !block->previous->used)
        merge_with_next(block->previous);
}

/* The checksum is over each block's address, size and use: turned left by five, then added. */
void heap_summarise(void)
{
    u32 blocks = 0, free_bytes = 0, sum = 0;
    for (BlockHeader *block = heap_head; block; block = block->next) {
        blocks++;
        if (!block->used)
            free_bytes += block->size;
        sum = ((sum << 5) | (sum >> 27)) + (u32)block + block->size + block->used;
    }
    heap_count = blocks;
    heap_free_bytes = free_bytes;
    heap_checksum = sum;
}
