/* What is wanted of a timed guest, and what it did, where nothing else is: between heap and stack. */
#ifndef TIMED_H
#define TIMED_H

#include "../tidewright.h"

#define LEAD 3 /* frames before the first attempt */

/* Of what is wanted of an attempt. */
#define FRAMES 0xFFu    /* behind the moment he acts */
#define BEFORE 0x100u   /* but before it comes */
#define TOO_SOON 0x200u /* the lantern is picked up before he turns to it as well */
#define TWICE 0x400u    /* the moment comes twice */

typedef struct Act {
    u32 wanted; /* 0x0, written by a test */
    u32 began;  /* 0x4, the frames, by the game's own count */
    u32 moment; /* 0x8, the newest */
    u32 acted;  /* 0xC */
} Act;

typedef struct Timed {
    u32 count;   /* 0x0, attempts that are wanted */
    u32 attempt; /* 0x4, how many are over */
    u32 spare[2];
    Act acts[64]; /* 0x10 */
} Timed;

#define TIMED ((volatile Timed *)0x80300000)

#endif
