/* Tidewright, a lighthouse courier's adventure: every type and every public variable.
 *
 * The offsets written beside members are those of first-print and second-print. In export
 * everything from `held` on lies eight bytes further. */
#ifndef TIDEWRIGHT_H
#define TIDEWRIGHT_H

typedef signed char s8;
typedef unsigned char u8;
typedef short s16;
typedef unsigned short u16;
typedef int s32;
typedef unsigned int u32;
typedef long long s64;
typedef unsigned long long u64;
typedef float f32;
typedef double f64;

#define NULL ((void *)0)

/* Fixed point: a signed integer with this many bits after the point. */
typedef s32 q16_16;
typedef s16 q8_8;

typedef struct Actor Actor;
typedef struct BlockHeader BlockHeader;
typedef struct Room Room;

/* Stored as u16, since a plain C enum would take four bytes. */
enum {
    KIND_COURIER = 1,
    KIND_LANTERN = 2,
    KIND_CRATE = 3,
    KIND_GULL = 4,
    KIND_BUOY = 5,
    KIND_MIST_PUFF = 6,
};

enum {
    FLAG_VISIBLE = 1u << 0,
    FLAG_SOLID = 1u << 1,
    FLAG_AWAKE = 1u << 2,
    FLAG_CARRIED = 1u << 3,
    FLAG_LIT = 1u << 4,
    FLAG_AFLOAT = 1u << 8,
    FLAG_AIRBORNE = 1u << 9,
    FLAG_HARMLESS = 1u << 31,
};

typedef enum Weather {
    WEATHER_CLEAR = 0,
    WEATHER_DRIZZLE = 1,
    WEATHER_FOG = 2,
    WEATHER_GALE = 7,
} Weather;

typedef enum __attribute__((packed)) Mood {
    MOOD_CALM = 0,
    MOOD_HURRIED = 1,
    MOOD_LADEN = 2,
    MOOD_STARTLED = 200,
} Mood;

typedef enum __attribute__((packed)) Tide {
    TIDE_EBB = -1,
    TIDE_SLACK = 0,
    TIDE_FLOOD = 1,
} Tide;

typedef enum Command {
    COMMAND_NONE = 0,
    COMMAND_IDLE = 1,
    COMMAND_WALK = 2,
    COMMAND_TURN = 3,
    COMMAND_CARRY = 4,
    COMMAND_STALE_HOLD = 5,
    COMMAND_GRAND_TOUR = 6,
    COMMAND_PRACTICE = 7, /* for tests of practice; the schema has no name for it */
} Command;

typedef enum Load {
    LOAD_NORMAL = 0,
    LOAD_SLOW = 1, /* three frame times a frame, work in three quarters of it */
    LOAD_BUSY = 2,  /* writes all the time, no idle between frames */
    LOAD_SWIFT = 3, /* no waiting at all: thousands of frames a second */
} Load;

typedef struct Vec3 {
    f32 x; /* 0x0 */
    f32 y; /* 0x4 */
    f32 z; /* 0x8 */
} Vec3;

typedef struct Parcel {
    u32 code;       /* 0x0 */
    s16 weight;     /* 0x4 */
    u8 stamp;       /* 0x6 */
    s8 grade;       /* 0x7 */
    q8_8 freshness; /* 0x8 */
    u16 fragile : 1; /* 0xA, from the most significant bit down */
    u16 wet : 1;
    u16 postage : 6;
    u16 zone : 8;
    u32 due_frame; /* 0xC */
} Parcel;

struct Actor {
    u16 kind;      /* 0x000 */
    u8 room;       /* 0x002 */
    s8 layer;      /* 0x003 */
    u32 flags;     /* 0x004 */
    char name[12]; /* 0x008 */
    u32 id;        /* 0x014 */
    u32 hue : 5;   /* 0x018, from the most significant bit down */
    u32 shade : 3;
    u32 glow : 8;
    s32 lean : 6;
    u32 pattern : 4;
    u32 worn : 1;
    u32 : 5;
    q16_16 buoyancy; /* 0x01C */
    Vec3 velocity;   /* 0x020 */
    Vec3 position;   /* 0x02C */
    Vec3 home;       /* 0x038 */
    f32 speed;       /* 0x044 */
    u64 age_ticks;   /* 0x048 */
    s64 drift;       /* 0x050 */
    f64 longitude;   /* 0x058 */
    union {
        u32 token; /* 0x060 */
        struct {
            u16 token_high; /* 0x060 */
            u16 token_low;  /* 0x062 */
        };
        u8 token_bytes[4]; /* 0x060 */
    };
    s16 trim[4];       /* 0x064 */
    s8 tilt[4];        /* 0x06C */
    f32 sway[2][3];    /* 0x070 */
    Vec3 trail[3];     /* 0x088 */
    Mood mood;         /* 0x0AC */
    Tide tide;         /* 0x0AD */
    u16 timer;         /* 0x0AE */
    u32 seen_frame;    /* 0x0B0 */
    u16 pitch;         /* 0x0B4 */
    u16 facing;        /* 0x0B6 */
    u16 roll;          /* 0x0B8 */
    u16 turn_rate;     /* 0x0BA */
    Parcel satchel[8]; /* 0x0BC */
#ifdef TIDE_EXPORT
    u32 stamp_album[2];
#endif
    Actor *held;        /* 0x13C */
    Actor *next;        /* 0x140 */
    Actor *previous;    /* 0x144 */
    Actor *watchers[4]; /* 0x148 */
    Actor **holder;     /* 0x158 */
    u32 step_count;     /* 0x15C */
    u32 memory[16];     /* 0x160 */
};

typedef struct Lantern {
    Actor actor;   /* 0x000 */
    f32 fuel;      /* 0x1A0 */
    u16 wick;      /* 0x1A4 */
    s16 flicker;   /* 0x1A6 */
    Vec3 beam;     /* 0x1A8 */
    u16 beam_turn; /* 0x1B4 */
    u16 spare;     /* 0x1B6 */
} Lantern;

typedef struct Crate {
    Actor actor;        /* 0x000 */
    f64 mass;           /* 0x1A0 */
    Parcel contents[2]; /* 0x1A8 */
} Crate;

typedef struct Gull {
    Actor actor;   /* 0x000 */
    Vec3 perch;    /* 0x1A0 */
    Vec3 goal;     /* 0x1AC */
    u16 bank;      /* 0x1B8 */
    s16 flap;      /* 0x1BA */
    f32 altitude;  /* 0x1BC */
    u32 dives;     /* 0x1C0 */
    Actor *chased; /* 0x1C4 */
} Gull;

typedef struct Buoy {
    Actor actor;    /* 0x000 */
    u16 phase;      /* 0x1A0 */
    u16 spare;      /* 0x1A2 */
    q16_16 depth;   /* 0x1A4 */
    s8 sounding[4]; /* 0x1A8 */
    u32 bell;       /* 0x1AC */
} Buoy;

typedef struct MistPuff {
    Actor actor;       /* 0x000 */
    f32 density[4][4]; /* 0x1A0 */
    Vec3 wisps[6];     /* 0x1E0 */
    u32 frames_left;   /* 0x228 */
    u32 seed;          /* 0x22C */
} MistPuff;

struct BlockHeader {
    u16 magic; /* 0x0, BLOCK_MAGIC */
    u8 used;   /* 0x2, 1 while handed out */
    u8 reuses; /* 0x3, times that this header was handed out, wraps */
    u32 size;  /* 0x4, bytes after the header */
    BlockHeader *next;     /* 0x8, by address, NULL at the last */
    BlockHeader *previous; /* 0xC, NULL at the first */
};

#define BLOCK_MAGIC 0x7B10

struct Room {
    char name[16];      /* 0x00 */
    u16 index;          /* 0x10 */
    u16 visits;         /* 0x12 */
    Weather weather;    /* 0x14 */
    Vec3 doors[2];      /* 0x18 */
    u8 tiles[4][6];     /* 0x30 */
    Room *neighbours[2]; /* 0x48 */
    u32 entered_frame;  /* 0x50 */
    u32 actor_count;    /* 0x54 */
};

#define ROOM_COUNT 4

typedef struct Ledger {
    u64 letters;        /* 0x00 */
    s64 balance;        /* 0x08 */
    f64 mean_step;      /* 0x10 */
    q16_16 wage;        /* 0x18 */
    char motto[20];     /* 0x1C */
    Vec3 *last_door;    /* 0x30 */
    u32 picked_up;      /* 0x34 */
    u32 put_down;       /* 0x38 */
    u32 rooms_entered;  /* 0x3C */
} Ledger;

/* A whole line of 256 bytes each, so that no two are ever fetched as one. */
typedef struct Pulse {
    u32 frame; /* 0x00 */
    u32 part;  /* 0x04 */
    u8 rest[0xF8];
} Pulse;

#define PULSE_COUNT 6

/* Written by a test from outside: command and load first, sequence last. */
typedef struct Mailbox {
    u32 magic;        /* 0x00, MAILBOX_MAGIC once the guest listens */
    Command command;  /* 0x04 */
    Load load;        /* 0x08 */
    u32 sequence;     /* 0x0C */
    u32 acknowledged; /* 0x10, the sequence last obeyed */
    u32 hold_at;      /* 0x14, stand still after this frame of the script; 0: never */
} Mailbox;

#define MAILBOX_MAGIC 0x54494D42u
#define FOAM_COUNT 256

extern char version[16];
extern volatile u32 frame_began;
extern volatile u32 frame_ended;
extern volatile Mailbox mailbox;
extern volatile Pulse pulse[PULSE_COUNT];
extern volatile u32 foam[FOAM_COUNT];
extern u32 fault;
extern Command script;
extern u32 script_frame;
extern u32 script_laps;
extern u32 script_began;
extern u32 random_state;
extern Actor courier;
extern Actor *actor_head;
extern Actor *mist_head;
extern Room rooms[ROOM_COUNT];
extern Room *room_table[ROOM_COUNT];
extern Room *current_room;
extern Room **current_slot;
extern BlockHeader *heap_head;
extern u32 heap_start;
extern u32 heap_end;
extern u32 heap_count;
extern u32 heap_free_bytes;
extern u32 heap_checksum;
extern u32 stale_address;
extern u32 reuse_frame;
extern Ledger ledger;

/* memory.c */
void *memset(void *to, int value, u32 length);
void *memcpy(void *to, const void *from, u32 length);
void copy_text(char *to, const char *from, u32 room);

/* clock.c */
void clock_start(void);
void clock_spread(Load load);
void clock_end_of_frame(Load load);
void clock_nap(void);
void order_writes(void);

/* angle.c */
f32 sine(u16 angle);
f32 cosine(u16 angle);

/* heap.c */
void heap_begin(void);
void heap_begin_at(u32 offset);
void *heap_allocate(u32 size);
void heap_release(void *payload);
void heap_summarise(void);

/* actors.c */
u32 random_next(void);
void courier_begin(void);
Actor *actor_spawn(u16 kind, const char *name, f32 x, f32 y, f32 z);
void actor_remove(Actor *actor);
Actor *actor_find(u16 kind);
void actors_update(void);
void mist_update(void);

/* rooms.c */
void rooms_begin(void);
void room_enter(u32 index);
void rooms_update(void);

/* courier.c */
void courier_walk(f32 speed);
void courier_stand(void);
void courier_turn(s16 by);
void courier_pick_up(Actor *actor);
void courier_put_down(void);
void courier_update(void);
void courier_carry(void);

/* practice.c */
void practice_begin(void);
void practice_next(void);
int practice_attempt_is_over(void);
void practice_step(void);

/* script.c */
void script_begin(Command command);
void script_step(void);

#endif
