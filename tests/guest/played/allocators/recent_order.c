/* A list of the free blocks, the one that was released last first; the first that is enough is
 * taken.  What is left of it has its place in the list. */
#include "allocator.h"

typedef struct Links {
    BlockHeader *newer;
    BlockHeader *older;
} Links;

static Links *links(BlockHeader *block)
{
    return (Links *)(block + 1);
}

static void put_between(BlockHeader *newer, BlockHeader *block, BlockHeader *older)
{
    *links(block) = (Links){newer, older};
    if (newer)
        links(newer)->older = block;
    else
        PLAYED->free_list = block;
    if (older)
        links(older)->newer = block;
}

static void take_out(BlockHeader *block)
{
    Links left = *links(block);
    if (left.newer)
        links(left.newer)->older = left.older;
    else
        PLAYED->free_list = left.older;
    if (left.older)
        links(left.older)->newer = left.newer;
}

void __wrap_heap_begin(void)
{
    begin_small();
    put_between(NULL, heap_head, NULL);
}

void *__wrap_heap_allocate(u32 size)
{
    size = rounded(size);
    for (BlockHeader *block = PLAYED->free_list; block; block = links(block)->older) {
        if (block->size < size)
            continue;
        Links place = *links(block);
        BlockHeader *rest = cut(block, size);
        if (rest)
            put_between(place.newer, rest, place.older);
        else
            take_out(block);
        return handed_out(block);
    }
    return NULL;
}

void __wrap_heap_release(void *payload)
{
    BlockHeader *block = released(payload);
    if (block->next && !block->next->used) {
        take_out(block->next);
        swallow_next(block);
    }
    if (block->previous && !block->previous->used) {
        block = block->previous;
        take_out(block);
        swallow_next(block);
    }
    put_between(NULL, block, PLAYED->free_list);
}
