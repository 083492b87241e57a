/* The scripts. Each starts from the same state, and what it does depends on nothing but
 * script_frame, so a frame of a script is the same frame every time.
 *
 * A script that is over starts again; the grand tour goes on to the next one. */
#include "tidewright.h"

static int on_tour;

static u32 length_of(Command command)
{
    switch (command) {
    case COMMAND_WALK:
        return 240;
    case COMMAND_TURN:
        return 180;
    case COMMAND_CARRY:
        return 300;
    case COMMAND_STALE_HOLD:
        return 360;
    case COMMAND_PRACTICE:
        return 0; /* practice.c knows */
    default:
        return 120;
    }
}

static void begin_from_known_state(Command command)
{
    script = command;
    script_frame = 0;
    random_state = 0x1D0C5EA5u;
    memset(&ledger, 0, sizeof ledger);
    copy_text(ledger.motto, "by lamp and by tide", sizeof ledger.motto);
    ledger.letters = 0x100000000ull;
    ledger.wage = 0x0002C000;
    current_room = NULL;
    heap_begin();
    courier_begin();
    rooms_begin();
    room_enter(0);
}

void script_begin(Command command)
{
    on_tour = command == COMMAND_GRAND_TOUR || command == COMMAND_NONE;
    script_laps = 0;
    begin_from_known_state(on_tour ? COMMAND_IDLE : command);
    if (command == COMMAND_PRACTICE)
        practice_begin();
}

static void begin_next(void)
{
    Command next = script;
    if (on_tour)
        next = script == COMMAND_STALE_HOLD ? COMMAND_IDLE : (Command)(script + 1);
    script_laps += !on_tour || next == COMMAND_IDLE;
    begin_from_known_state(next);
    if (next == COMMAND_PRACTICE)
        practice_next();
}

static int is_over(void)
{
    if (script == COMMAND_PRACTICE)
        return practice_attempt_is_over();
    return script_frame == length_of(script);
}

static void walk(void)
{
    if (script_frame == 60)
        courier_turn(0x2AAB);
    if (script_frame == 80)
        room_enter(1);
    if (script_frame == 140)
        room_enter(2);
    if (script_frame == 180)
        room_enter(3);
    if (script_frame == 100 || script_frame == 200)
        courier_turn(-0x1555);
    courier_walk(script_frame < 120 ? 0.5f : 0.3125f);
}

static void turn(void)
{
    courier_stand();
    courier_turn(script_frame == 90 ? -0x8000 : script_frame < 90 ? 0x0123 : -0x0300);
}

/* Both carrying scripts: sixty frames to the lantern, which is in hand from frame 60 on. */
static void fetch_lantern(void)
{
    courier_walk(0.5f);
    if (script_frame == 60)
        courier_pick_up(actor_find(KIND_LANTERN));
}

static void carry(void)
{
    if (script_frame <= 60)
        fetch_lantern();
    else if (script_frame < 240) {
        courier_turn(0x0100);
        courier_walk(0.375f);
    } else {
        if (script_frame == 240)
            courier_put_down();
        courier_stand();
    }
}

static void stale_hold(void)
{
    if (script_frame <= 60)
        fetch_lantern();
    else if (script_frame < 300) {
        courier_turn(script_frame > 180 ? -0x0080 : 0);
        courier_walk(0.25f);
    } else
        courier_stand();
    if (script_frame == 120)
        room_enter(1);
    if (script_frame == 180)
        actor_spawn(KIND_GULL, "lost gull", -20.0f, 18.0f, 60.0f);
    if (script_frame == 330)
        actor_spawn(KIND_MIST_PUFF, "mist", 8.0f, 1.0f, 4.0f);
}

void script_step(void)
{
    if (is_over())
        begin_next();
    script_frame++;
    if (script_frame == 1)
        script_began = frame_began;
    if (script == COMMAND_WALK)
        walk();
    else if (script == COMMAND_TURN)
        turn();
    else if (script == COMMAND_CARRY)
        carry();
    else if (script == COMMAND_STALE_HOLD)
        stale_hold();
    else if (script == COMMAND_PRACTICE)
        practice_step();
    else
        courier_stand();
}
