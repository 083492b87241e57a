/* A game that walks as it is told: the schema's [walks], done by the game's own code.
 *
 * It is linked beside the game with --wrap for script_step and courier_walk, so the released builds
 * have nothing of it.  While the game is held, a list of moves and a place to begin at are written
 * to WALKED, 0x400 into the mailbox's command, and hold_at alone lets it go on.  What stands in the
 * courier's position after each frame is noted.
 *
 * With `tabled` set, the sine is that of a table of 1,024 in memory. */
#include "../tidewright.h"

#define WALK_NOW 0x400u
#define MAX_MOVES 1024u
#define MAX_FRAMES 4096u
#define TABLE_SIZE 1024u

typedef enum Move {
    RUN,
    STROLL,
    CREEP,
    CIRCLE,
    LEAN_LEFT,
    LEAN_RIGHT,
    ABOUT_TURN,
    SIDLE,
    CORNER,
} Move;

typedef struct Noted {
    Vec3 position;
    u32 facing;
} Noted;

typedef struct Walked {
    u32 count;    /* 0x00, moves */
    u32 frames;   /* 0x04, that were noted */
    u32 tabled;   /* 0x08 */
    u32 facing;   /* 0x0C, at the begin */
    Vec3 start;   /* 0x10 */
    u32 walks;    /* 0x1C, that are over */
    u8 moves[MAX_MOVES];
    Noted noted[MAX_FRAMES];
    f32 table[TABLE_SIZE];
} Walked;

/* Between the heap and the stack, where nothing else is; the emulator's RAM begins as zeros. */
#define WALKED ((volatile Walked *)0x80300000)

void __wrap_script_step(void);
void __real_courier_walk(f32 speed);
void __wrap_courier_walk(f32 speed);

static u32 at;   /* the move that is under way */
static u32 left; /* frames of it */
static int walking;

static void make_table(void)
{
    for (u32 entry = 0; entry < TABLE_SIZE; entry++)
        WALKED->table[entry] = sine((u16)(entry << 6));
}

void __wrap_courier_walk(f32 speed)
{
    __real_courier_walk(speed);
    if (!WALKED->tabled)
        return;
    u16 quarter = (u16)(courier.facing + 0x4000);
    courier.velocity.x = WALKED->table[courier.facing >> 6] * speed;
    courier.velocity.z = WALKED->table[quarter >> 6] * speed;
}

static u32 frames_of(u32 move)
{
    return move == LEAN_LEFT ? 3 : move == ABOUT_TURN ? 12 : move == CORNER ? 50 : 1;
}

static void sidle(void)
{
    courier.position.x -= 0.0625f;
    if (courier.position.x > 31.1f)
        courier.position.x = 31.1f;
    if (courier.position.x < -24.7f)
        courier.position.x = -24.7f;
}

/* The first frame of a move; in the others the courier stands. */
static void begin_move(u32 move)
{
    courier_stand();
    switch (move) {
    case RUN:
        courier_walk(0.5f);
        break;
    case STROLL:
        courier_walk(0.3125f);
        break;
    case CREEP:
        courier_walk(0.25f);
        break;
    case CIRCLE:
        courier_turn(0x0100);
        courier_walk(0.375f);
        break;
    case LEAN_LEFT:
        courier_turn(-0x0300);
        break;
    case LEAN_RIGHT:
        courier_turn(0x0123);
        break;
    case ABOUT_TURN:
        courier_turn(-0x8000);
        break;
    case SIDLE:
        sidle();
        break;
    case CORNER:
        courier.position.x = 1.7f;
        courier.position.z = 42.3f;
        break;
    }
}

static void begin_walk(void)
{
    mailbox.command = COMMAND_IDLE;
    courier.position.x = WALKED->start.x;
    courier.position.y = WALKED->start.y;
    courier.position.z = WALKED->start.z;
    courier.facing = (u16)WALKED->facing;
    WALKED->frames = 0;
    walking = 1;
    at = left = 0;
}

static void note(void)
{
    volatile Noted *noted = &WALKED->noted[WALKED->frames++];
    noted->position.x = courier.position.x;
    noted->position.y = courier.position.y;
    noted->position.z = courier.position.z;
    noted->facing = courier.facing;
}

static void walk_on(void)
{
    if (left) {
        left--;
        courier_stand();
        return;
    }
    if (at == WALKED->count) {
        courier_stand();
        walking = 0;
        WALKED->walks++;
        return;
    }
    left = frames_of(WALKED->moves[at]) - 1;
    begin_move(WALKED->moves[at++]);
}

/* The script has no end: it goes on until another is begun. */
void __wrap_script_step(void)
{
    u32 told = mailbox.command;
    if (!script_frame) {
        script_began = frame_began;
        make_table();
        walking = 0;
    }
    script_frame++;
    courier_stand();
    if (walking)
        note(); /* the frame that is over */
    if (told & WALK_NOW)
        begin_walk();
    if (walking)
        walk_on();
}
