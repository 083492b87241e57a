/* What the compiler expects of a C library when there is none. */
#include "tidewright.h"

void *memset(void *to, int value, u32 length)
{
    u8 *bytes = to;
    for (u32 i = 0; i < length; i++)
        bytes[i] = (u8)value;
    return to;
}

void *memcpy(void *to, const void *from, u32 length)
{
    u8 *written = to;
    const u8 *read = from;
    for (u32 i = 0; i < length; i++)
        written[i] = read[i];
    return to;
}

/* Fills the whole room: cut off where it is too long, zeros where it is shorter. */
void copy_text(char *to, const char *from, u32 room)
{
    u32 i = 0;
    for (; i < room && from[i]; i++)
        to[i] = from[i];
    for (; i < room; i++)
        to[i] = 0;
}
