/* Mist puffs lie at the high end, all else at the low one: each in the first free block that is
 * large enough as seen from there. */
#include "allocator.h"

void __wrap_heap_begin(void)
{
    begin_small();
}

static void *from_high(u32 size)
{
    BlockHeader *highest = NULL;
    for (BlockHeader *block = heap_head; block; block = block->next)
        if (is_enough(block, size))
            highest = block;
    return highest ? handed_out(cut_from_end(highest, size)) : NULL;
}

void *__wrap_heap_allocate(u32 size)
{
    if (size == sizeof(MistPuff))
        return from_high(rounded(size));
    size = rounded(size);
    for (BlockHeader *block = heap_head; block; block = block->next) {
        if (!is_enough(block, size))
            continue;
        cut(block, size);
        return handed_out(block);
    }
    return NULL;
}

void __wrap_heap_release(void *payload)
{
    join_both(released(payload));
}
