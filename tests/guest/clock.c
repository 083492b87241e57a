/* Time, from coprocessor 0's Count and Compare registers.
 *
 * A pause sleeps in `wait`, so that an idle guest leaves the host's processor alone. Only
 * wait_for_timer (start.S) has interrupts on. */
#include "tidewright.h"

/* Measured on QEMU 7.2's Malta board, whose Count steps once every 6 ns. */
#define COUNTS_A_SECOND 166666667u
#define COUNTS_A_FRAME (COUNTS_A_SECOND / 60)
#define GAPS (PULSE_COUNT - 1)

void wait_for_timer(void);

static u32 next_frame_at;
static u32 foam_at;

static u32 count(void)
{
    u32 now;
    __asm__ volatile("mfc0 %0, $9" : "=r"(now));
    return now;
}

static void set_compare(u32 when)
{
    __asm__ volatile("mtc0 %0, $11\n\tehb" : : "r"(when));
}

static int is_ahead(u32 when)
{
    return (s32)(when - count()) > 0;
}

static void sleep_until(u32 when)
{
    while (is_ahead(when)) {
        set_compare(when);
        if (is_ahead(when))
            wait_for_timer();
    }
}

static void write_until(u32 when)
{
    while (is_ahead(when)) {
        foam[foam_at] = frame_began;
        foam_at = (foam_at + 1) % FOAM_COUNT;
    }
}

void order_writes(void)
{
    __asm__ volatile("sync" : : : "memory");
}

void clock_start(void)
{
    next_frame_at = count() + COUNTS_A_FRAME;
}

/* Between two parts of a frame: what makes its work take a notable share of the time. */
void clock_spread(Load load)
{
    order_writes();
    if (load == LOAD_SWIFT)
        return;
    if (load == LOAD_BUSY)
        write_until(count() + COUNTS_A_FRAME / GAPS);
    else if (load == LOAD_SLOW)
        sleep_until(count() + 9 * COUNTS_A_FRAME / 4 / GAPS);
    else
        sleep_until(count() + COUNTS_A_FRAME / 4 / GAPS);
    order_writes();
}

/* About a millisecond. */
void clock_nap(void)
{
    sleep_until(count() + COUNTS_A_FRAME / 16);
}

void clock_end_of_frame(Load load)
{
    u32 period = load == LOAD_SLOW ? 3 * COUNTS_A_FRAME : COUNTS_A_FRAME;
    int is_paced = load == LOAD_NORMAL || load == LOAD_SLOW;
    int is_far_behind = !is_ahead(next_frame_at + 4 * COUNTS_A_FRAME);
    if (is_paced && !is_far_behind)
        sleep_until(next_frame_at);
    else
        next_frame_at = count();
    next_frame_at += period;
}
