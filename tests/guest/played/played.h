/* What a played guest says of itself, where nothing else is: between the heap and the stack. */
#ifndef PLAYED_H
#define PLAYED_H

#include "../tidewright.h"

typedef enum Standing {
    STANDING_UNDER_WAY = 0,
    STANDING_DONE = 1,
    STANDING_REFUSED = 2, /* it cannot be done here, and nothing was */
    STANDING_FAILED = 3,  /* the heap was full in the midst of it */
} Standing;

typedef struct Played {
    u32 action;    /* 0x00, the last one that was begun */
    u32 begun;     /* 0x04, how many actions were begun, refused ones too */
    u32 ended;     /* 0x08, how many are over */
    Standing standing; /* 0x0C, of the last one */
    u32 effects;   /* 0x10, blocks handed out and released since the script began */
    u32 failures;  /* 0x14, requests that the heap could not answer */
    u32 rover;     /* 0x18, where an allocator that goes on from there does so */
    BlockHeader *free_list; /* 0x1C, of an allocator that has one: the newest first */
} Played;

#define PLAYED ((volatile Played *)0x80300000)

#endif
