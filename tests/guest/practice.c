/* Practice: 200 attempts at a set-up of three steps, most of which go wrong.
 *
 * An attempt begins with the known state, and script_laps goes up. Its steps: the lantern is
 * picked up; the Gallery is entered; the courier faces 0x8000, for one frame. It fails when the
 * Mist Stair is entered, and is given up when the Harbour is. It may also just begin again, in
 * mid-step, and then in half of the cases in Mist Stair, for a frame.
 *
 * Each door moves the heap's base, and nothing is carried through one.
 *
 * tests/guest/practice.py draws the same numbers, so it knows what happens in which frame. */
#include "tidewright.h"

#define ATTEMPTS 200
#define STEPS 3
#define LEAD 240 /* frames before the first attempt */

enum { LANTERN_ROOM, GALLERY, HARBOUR, MIST_STAIR };
typedef enum End { SUCCEEDS, FAILS, GIVES_UP, BEGINS_AGAIN } End;

static u32 drawn;
static u32 attempt; /* 0 in the lead */
static u32 moves;
static u32 stops_at;     /* how many steps are done */
static u32 happens[STEPS + 1]; /* frames behind the first: each step, and then the end */
static u32 last_frame;   /* of the script, before the next attempt */
static End end;
static int begins_in_mist;

static u32 draw(u32 below)
{
    drawn = drawn * 1103515245u + 12345u;
    return (drawn >> 16) % below;
}

void practice_begin(void)
{
    drawn = 0x00C0FFEEu;
    attempt = 0;
    moves = 0;
    end = SUCCEEDS;
    last_frame = LEAD;
}

void practice_next(void)
{
    static const End ends[] = {SUCCEEDS, SUCCEEDS, FAILS, FAILS, GIVES_UP, BEGINS_AGAIN};

    begins_in_mist = end == BEGINS_AGAIN && draw(2);
    attempt++;
    end = ends[draw(6)];
    stops_at = draw(STEPS);
    if (attempt == ATTEMPTS)
        end = SUCCEEDS;
    if (end == SUCCEEDS)
        stops_at = STEPS;
    u32 at = 0;
    for (u32 i = 0; i <= STEPS; i++) {
        at += 2 + draw(5);
        happens[i] = at;
    }
    u32 rest = 1 + draw(4);
    if (end == SUCCEEDS)
        last_frame = happens[STEPS - 1] + 1 + rest;
    else if (end == BEGINS_AGAIN)
        last_frame = happens[stops_at];
    else
        last_frame = happens[stops_at] + 1 + rest;
}

int practice_attempt_is_over(void)
{
    return attempt < ATTEMPTS && script_frame == last_frame;
}

static void go_to(u32 room)
{
    courier.held = NULL;
    actor_head = NULL;
    mist_head = NULL;
    moves++;
    heap_begin_at(moves % 7 * 0x230);
    room_enter(room);
}

static void do_step(u32 step)
{
    if (step == 0)
        courier_pick_up(actor_find(KIND_LANTERN));
    else if (step == 1)
        go_to(GALLERY);
    else
        courier.facing = 0x8000;
}

void practice_step(void)
{
    courier_stand();
    if (attempt == 0)
        return;
    u32 now = script_frame - 1;
    if (now == 0)
        go_to(begins_in_mist ? MIST_STAIR : LANTERN_ROOM);
    if (now == 1 && begins_in_mist)
        go_to(LANTERN_ROOM);
    if (courier.facing == 0x8000)
        courier.facing = 0x0100;
    for (u32 step = 0; step < stops_at; step++)
        if (now == happens[step])
            do_step(step);
    if (now == happens[stops_at] && end == FAILS)
        go_to(MIST_STAIR);
    if (now == happens[stops_at] && end == GIVES_UP)
        go_to(HARBOUR);
}
