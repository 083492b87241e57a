/* Next fit: it goes on behind the block that was handed out last, and round once. */
#include "allocator.h"

void __wrap_heap_begin(void)
{
    begin_small();
    PLAYED->rover = (u32)heap_head;
}

static void *taken(BlockHeader *block, u32 size)
{
    cut(block, size);
    PLAYED->rover = (u32)block->next; /* NULL behind the last: then from the first on */
    return handed_out(block);
}

void *__wrap_heap_allocate(u32 size)
{
    BlockHeader *rover = (BlockHeader *)PLAYED->rover;
    size = rounded(size);
    for (BlockHeader *block = rover; block; block = block->next)
        if (is_enough(block, size))
            return taken(block, size);
    for (BlockHeader *block = heap_head; block != rover; block = block->next)
        if (is_enough(block, size))
            return taken(block, size);
    return NULL;
}

static void swallow(BlockHeader *block)
{
    if (PLAYED->rover == (u32)block->next)
        PLAYED->rover = (u32)block;
    swallow_next(block);
}

void __wrap_heap_release(void *payload)
{
    BlockHeader *block = released(payload);
    if (block->next && !block->next->used)
        swallow(block);
    if (block->previous && !block->previous->used)
        swallow(block->previous);
}
