/* A game that is played from outside: the courier stands, and does an action when told to.
 *
 * It is linked beside the game with --wrap for script_step, mist_update, courier_carry,
 * actor_spawn and actor_remove, so the released builds have nothing of it.  What is to be done is
 * written into the mailbox's command while the game is held, and hold_at alone then lets it go on:
 * 0x100 and the action's number does all of it in one frame; with 0x200 each block that is released
 * or handed out has a frame to itself.  the schema's [actions] say the same.
 *
 * Puffs of mist stay, and nobody writes to what was in hand once it is released. */
#include "played.h"

#define IN_ONE_FRAME 0x100u
#define SPREAD 0x200u

typedef enum Deed {
    LANTERN_DOOR = 1,
    GALLERY_DOOR,
    HARBOUR_DOOR,
    STAIR_DOOR,
    CALL_GULL,
    WHISTLE,
    SHOO_GULL,
    RELIEVE_WATCH,
    DROP_CRATE,
    BREAK_CRATE,
    UNLOAD,
    MOOR_BUOY,
    SINK_BUOY,
    LIGHT_MIST,
    CLEAR_MIST,
    TAKE_LANTERN,
    PUT_DOWN,
    THROW_LANTERN,
} Deed;

Actor *__real_actor_spawn(u16 kind, const char *name, f32 x, f32 y, f32 z);
Actor *__wrap_actor_spawn(u16 kind, const char *name, f32 x, f32 y, f32 z);
void __real_actor_remove(Actor *actor);
void __wrap_actor_remove(Actor *actor);
void __wrap_script_step(void);
void __wrap_mist_update(void);
void __real_courier_carry(void);
void __wrap_courier_carry(void);

static int in_hand; /* the courier holds something that still exists */
static int spreading;

/* The rest of a frame and the start of the next, in the midst of an action. */
static void let_a_frame_pass(void)
{
    heap_summarise();
    for (u32 part = 0; part < PULSE_COUNT; part++)
        pulse[part].frame = frame_began;
    order_writes();
    frame_ended = frame_began;
    while (mailbox.hold_at == script_frame && mailbox.sequence == mailbox.acknowledged)
        clock_nap();
    frame_began = frame_began + 1;
    script_frame++;
    order_writes();
}

static void effect_is_over(void)
{
    PLAYED->effects++;
    if (spreading)
        let_a_frame_pass();
}

Actor *__wrap_actor_spawn(u16 kind, const char *name, f32 x, f32 y, f32 z)
{
    Actor *actor = __real_actor_spawn(kind, name, x, y, z);
    if (actor)
        effect_is_over();
    else
        PLAYED->failures++;
    return actor;
}

void __wrap_actor_remove(Actor *actor)
{
    __real_actor_remove(actor);
    effect_is_over();
}

static Standing appears(u16 kind, const char *name)
{
    Actor *actor = actor_spawn(kind, name, 2.0f * (f32)kind, 1.0f, 4.0f);
    return actor ? STANDING_DONE : STANDING_REFUSED;
}

static Standing goes(Actor *actor)
{
    if (!actor)
        return STANDING_REFUSED;
    actor_remove(actor);
    return STANDING_DONE;
}

/* The newest comes first in the list. */
static Actor *oldest(u16 kind)
{
    Actor *found = NULL;
    for (Actor *actor = actor_head; actor; actor = actor->next)
        if (actor->kind == kind)
            found = actor;
    return found;
}

static Actor *lowest(u16 kind)
{
    Actor *found = NULL;
    for (Actor *actor = actor_head; actor; actor = actor->next)
        if (actor->kind == kind && (!found || (u32)actor < (u32)found))
            found = actor;
    return found;
}

static int is_next_door(u32 room)
{
    return current_room->neighbours[0]->index == room || current_room->neighbours[1]->index == room;
}

static Standing through_door(u32 room)
{
    u32 failures = PLAYED->failures;
    if (!is_next_door(room))
        return STANDING_REFUSED;
    in_hand = 0; /* it is released with the room; courier.held goes on pointing there */
    room_enter(room);
    return PLAYED->failures == failures ? STANDING_DONE : STANDING_FAILED;
}

/* What comes after something that was done already cannot be refused any more. */
static Standing then(Standing standing)
{
    return standing == STANDING_DONE ? STANDING_DONE : STANDING_FAILED;
}

static Standing unload(void)
{
    Standing standing = appears(KIND_CRATE, "fish crate");
    return standing == STANDING_DONE ? then(appears(KIND_CRATE, "net crate")) : standing;
}

static Standing relieve_watch(void)
{
    Standing standing = goes(actor_find(KIND_GULL));
    if (standing == STANDING_DONE)
        standing = then(appears(KIND_CRATE, "dropped crate"));
    if (standing == STANDING_DONE)
        standing = then(appears(KIND_GULL, "other gull"));
    return standing;
}

static Standing take_lantern(void)
{
    Actor *lantern = actor_find(KIND_LANTERN);
    if (!lantern)
        return STANDING_REFUSED;
    courier_pick_up(lantern);
    in_hand = 1;
    return STANDING_DONE;
}

static Standing put_down(void)
{
    if (!in_hand)
        return STANDING_REFUSED;
    in_hand = 0;
    courier_put_down();
    return STANDING_DONE;
}

static Standing throw_lantern(void)
{
    Actor *lantern = courier.held;
    if (put_down() == STANDING_REFUSED)
        return STANDING_REFUSED;
    return goes(lantern);
}

static Standing clear_mist(void)
{
    while (mist_head)
        actor_remove(mist_head);
    return STANDING_DONE;
}

static Standing perform(Deed deed)
{
    u32 room = current_room->index;
    switch (deed) {
    case LANTERN_DOOR:
    case GALLERY_DOOR:
    case HARBOUR_DOOR:
    case STAIR_DOOR:
        return through_door(deed - LANTERN_DOOR);
    case CALL_GULL:
    case WHISTLE:
        return room <= 2 ? appears(KIND_GULL, "called gull") : STANDING_REFUSED;
    case SHOO_GULL:
        return goes(actor_find(KIND_GULL));
    case RELIEVE_WATCH:
        return relieve_watch();
    case DROP_CRATE:
        return appears(KIND_CRATE, "own crate");
    case BREAK_CRATE:
        return goes(oldest(KIND_CRATE));
    case UNLOAD:
        return room == 2 ? unload() : STANDING_REFUSED;
    case MOOR_BUOY:
        return appears(KIND_BUOY, "own buoy");
    case SINK_BUOY:
        return goes(lowest(KIND_BUOY));
    case LIGHT_MIST:
        return room & 1 ? appears(KIND_MIST_PUFF, "mist") : STANDING_REFUSED;
    case CLEAR_MIST:
        return clear_mist();
    case TAKE_LANTERN:
        return take_lantern();
    case PUT_DOWN:
        return put_down();
    case THROW_LANTERN:
        return throw_lantern();
    }
    return STANDING_REFUSED;
}

static void obey(u32 told)
{
    mailbox.command = COMMAND_IDLE;
    PLAYED->action = told & 0xFF;
    PLAYED->standing = STANDING_UNDER_WAY;
    PLAYED->begun++;
    spreading = told & SPREAD;
    PLAYED->standing = perform(told & 0xFF);
    spreading = 0;
    PLAYED->ended++;
}

/* The script has no end: it goes on until another is begun. */
void __wrap_script_step(void)
{
    u32 told = mailbox.command;
    if (!script_frame) {
        in_hand = 0;
        PLAYED->effects = PLAYED->failures = 0;
        script_began = frame_began;
    }
    script_frame++;
    courier_stand();
    if (told & (IN_ONE_FRAME | SPREAD))
        obey(told);
}

void __wrap_mist_update(void)
{
}

void __wrap_courier_carry(void)
{
    if (in_hand)
        __real_courier_carry();
}
