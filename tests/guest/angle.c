/* Sine of a binary angle (0x10000 = one turn), by a parabola and one correction.
 *
 * It is off by at most about 0.001, which is enough for a gull, and it needs no table. */
#include "tidewright.h"

f32 sine(u16 angle)
{
    f32 half_turns = (f32)(s16)angle / 32768.0f;
    f32 parabola = 4.0f * half_turns * (1.0f - (half_turns < 0 ? -half_turns : half_turns));
    f32 size = parabola < 0 ? -parabola : parabola;
    return parabola * (0.775f + 0.225f * size);
}

f32 cosine(u16 angle)
{
    return sine((u16)(angle + 0x4000));
}
