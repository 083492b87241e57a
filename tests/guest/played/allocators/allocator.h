/* What the other allocators share: the game's own headers, and a smaller arena that can be full. */
#ifndef ALLOCATOR_H
#define ALLOCATOR_H

#include "../played.h"

#define SMALL_ARENA 0x2000u
#define GRAIN 16u
#define HEADER ((u32)sizeof(BlockHeader))

void __real_heap_begin(void);
void __wrap_heap_begin(void);
void *__wrap_heap_allocate(u32 size);
void __wrap_heap_release(void *payload);

static inline void begin_small(void)
{
    __real_heap_begin();
    heap_end = heap_start + SMALL_ARENA;
    heap_head->size = SMALL_ARENA - HEADER;
}

static inline u32 rounded(u32 size)
{
    return (size + GRAIN - 1) & ~(GRAIN - 1);
}

static inline int is_enough(const BlockHeader *block, u32 size)
{
    return !block->used && block->size >= size;
}

/* Ends a block after so many bytes and puts another behind it, which it gives: they share the
 * list.  NULL, and nothing is done, where the other would have less than a header and a grain. */
static inline BlockHeader *cut(BlockHeader *block, u32 size)
{
    if (block->size < size + HEADER + GRAIN)
        return NULL;
    BlockHeader *rest = (BlockHeader *)((u8 *)(block + 1) + size);
    rest->magic = BLOCK_MAGIC;
    rest->used = 0;
    rest->reuses = 0;
    rest->size = block->size - size - HEADER;
    rest->next = block->next;
    rest->previous = block;
    if (rest->next)
        rest->next->previous = rest;
    block->next = rest;
    block->size = size;
    return rest;
}

/* The last so many bytes of a block as one of its own; the block itself where it is no larger. */
static inline BlockHeader *cut_from_end(BlockHeader *block, u32 size)
{
    if (block->size < size + HEADER + GRAIN)
        return block;
    return cut(block, block->size - size - HEADER);
}

static inline void swallow_next(BlockHeader *block)
{
    block->size += HEADER + block->next->size;
    block->next = block->next->next;
    if (block->next)
        block->next->previous = block;
}

static inline BlockHeader *released(void *payload)
{
    BlockHeader *block = (BlockHeader *)payload - 1;
    block->used = 0;
    return block;
}

static inline void join_both(BlockHeader *block)
{
    if (block->next && !block->next->used)
        swallow_next(block);
    if (block->previous && !block->previous->used)
        swallow_next(block->previous);
}

static inline void *handed_out(BlockHeader *block)
{
    block->used = 1;
    block->reuses++;
    memset(block + 1, 0, block->size);
    if (stale_address && !reuse_frame && stale_address - (u32)(block + 1) < block->size)
        reuse_frame = frame_began;
    return block + 1;
}

#endif
