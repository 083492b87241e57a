/* A courier who acts so many frames early or late, and writes down what he did.
 *
 * It is linked beside the game with --wrap for script_step, so the released builds have nothing of
 * it.  What each attempt is to be like stands in TIMED->wanted before the game is begun anew.  An
 * attempt begins with script_laps, in the Lantern Room; the courier turns to the lantern, to
 * 0x2000, and picks it up; some frames later he enters the Gallery, which is the moment; and some
 * frames behind that, as many as wanted, he faces 0x8000, for one frame. */
#include "timed.h"

enum { LANTERN_ROOM, GALLERY };

void __wrap_script_step(void);

static u32 now;   /* frames since the attempt began */
static u32 moves; /* doors, each of which moves the heap's base */

static void go_to(u32 room)
{
    courier.held = NULL;
    actor_head = NULL;
    mist_head = NULL;
    moves++;
    heap_begin_at(moves % 7 * 0x230);
    room_enter(room);
}

static void enter_gallery(volatile Act *act)
{
    go_to(GALLERY);
    act->moment = frame_began;
}

static void play(volatile Act *act)
{
    u32 wanted = act->wanted, frames = wanted & FRAMES;
    u32 moment = 12 + TIMED->attempt % 3;
    u32 acts = wanted & BEFORE ? moment - 2 : moment + frames;

    if (now == 0) {
        act->began = frame_began;
        go_to(LANTERN_ROOM);
    }
    if (wanted & TOO_SOON && now == 2)
        courier_pick_up(actor_find(KIND_LANTERN));
    if (wanted & TOO_SOON && now == 3)
        courier_put_down();
    if (now == 5)
        courier.facing = 0x2000;
    if (now == 6)
        courier_pick_up(actor_find(KIND_LANTERN));
    if (wanted & TWICE && now == moment - 4)
        enter_gallery(act);
    if (wanted & TWICE && now == moment - 2)
        go_to(LANTERN_ROOM);
    if (now == moment)
        enter_gallery(act);
    if (now == acts) {
        courier.facing = 0x8000;
        act->acted = frame_began;
    }
    if (now == acts + 1)
        courier.facing = 0x0100;
    now++;
    if (now > acts + 3 && now > moment + 3) {
        now = 0;
        TIMED->attempt++;
        courier.facing = 0x0100;
    }
}

/* The script has no end: it goes on until another is begun. */
void __wrap_script_step(void)
{
    if (!script_frame) {
        now = moves = 0;
        TIMED->attempt = 0;
        script_began = frame_began;
    }
    script_frame++;
    courier_stand();
    if (script_frame <= LEAD || TIMED->attempt == TIMED->count)
        return;
    if (!now)
        script_laps++;
    play(&TIMED->acts[TIMED->attempt]);
}
