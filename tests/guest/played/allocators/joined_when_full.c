/* Free blocks stay apart until a request finds none that is large enough: then all that touch are
 * joined, and it is tried once more. */
#include "allocator.h"

void __wrap_heap_begin(void)
{
    begin_small();
}

static void *first_fit(u32 size)
{
    for (BlockHeader *block = heap_head; block; block = block->next) {
        if (!is_enough(block, size))
            continue;
        cut(block, size);
        return handed_out(block);
    }
    return NULL;
}

static void join_all(void)
{
    for (BlockHeader *block = heap_head; block; block = block->next)
        while (!block->used && block->next && !block->next->used)
            swallow_next(block);
}

void *__wrap_heap_allocate(u32 size)
{
    void *found = first_fit(rounded(size));
    if (found)
        return found;
    join_all();
    return first_fit(rounded(size));
}

void __wrap_heap_release(void *payload)
{
    released(payload);
}
