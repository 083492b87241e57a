/* The first free block that is large enough, of which the last bytes are handed out. */
#include "allocator.h"

void __wrap_heap_begin(void)
{
    begin_small();
}

void *__wrap_heap_allocate(u32 size)
{
    size = rounded(size);
    for (BlockHeader *block = heap_head; block; block = block->next)
        if (is_enough(block, size))
            return handed_out(cut_from_end(block, size));
    return NULL;
}

void __wrap_heap_release(void *payload)
{
    join_both(released(payload));
}
