/* The smallest free block that is large enough; of several the one at the lowest address. */
#include "allocator.h"

void __wrap_heap_begin(void)
{
    begin_small();
}

void *__wrap_heap_allocate(u32 size)
{
    BlockHeader *best = NULL;
    size = rounded(size);
    for (BlockHeader *block = heap_head; block; block = block->next)
        if (is_enough(block, size) && (!best || block->size < best->size))
            best = block;
    if (!best)
        return NULL;
    cut(best, size);
    return handed_out(best);
}

void __wrap_heap_release(void *payload)
{
    join_both(released(payload));
}
