/* Four rooms, of which one is there at a time: on leaving, its actors are released. */
#include "tidewright.h"

typedef struct Spawn {
    u8 room;
    u16 kind;
    const char *name;
    Vec3 at;
} Spawn;

static const char *const names[ROOM_COUNT] = {
    "Lantern Room", "Gallery", "Harbour", "Mist Stair",
};
static const Weather weathers[ROOM_COUNT] = {
    WEATHER_CLEAR, WEATHER_GALE, WEATHER_DRIZZLE, WEATHER_FOG,
};

/* The first two of Lantern Room and of Gallery are alike, so the third block of either
 * starts at the same address. */
static const Spawn spawns[] = {
    {0, KIND_CRATE, "oil crate", {-12.0f, 0.0f, 8.0f}},
    {0, KIND_CRATE, "rope crate", {-9.0f, 0.0f, 8.5f}},
    {0, KIND_LANTERN, "lantern", {1.7f, 0.0f, 28.7f}},
    {0, KIND_GULL, "old gull", {20.0f, 18.0f, 20.0f}},
    {0, KIND_BUOY, "spare buoy", {6.0f, 0.5f, -3.0f}},
    {1, KIND_CRATE, "sand crate", {4.0f, 0.0f, 2.0f}},
    {1, KIND_CRATE, "coal crate", {5.0f, 0.0f, 2.0f}},
    {2, KIND_BUOY, "red buoy", {-40.0f, 0.0f, 70.0f}},
    {2, KIND_BUOY, "green buoy", {40.0f, 0.0f, 70.0f}},
    {2, KIND_GULL, "young gull", {0.0f, 18.0f, 50.0f}},
    {2, KIND_CRATE, "fish crate", {3.0f, 0.0f, 9.0f}},
    {3, KIND_MIST_PUFF, "mist", {0.0f, 1.0f, 4.0f}},
    {3, KIND_LANTERN, "dim lamp", {2.0f, 2.0f, 6.0f}},
    {3, KIND_MIST_PUFF, "mist", {8.0f, 1.0f, 4.0f}},
    {3, KIND_MIST_PUFF, "mist", {16.0f, 1.0f, 4.0f}},
};

static void fill_room(u32 index)
{
    for (u32 i = 0; i < sizeof spawns / sizeof spawns[0]; i++)
        if (spawns[i].room == index)
            actor_spawn(spawns[i].kind, spawns[i].name, spawns[i].at.x, spawns[i].at.y,
                        spawns[i].at.z);
}

static void empty_list(Actor **head)
{
    while (*head) {
        if (*head == courier.held)
            stale_address = (u32)courier.held;
        actor_remove(*head);
    }
}

void room_enter(u32 index)
{
    empty_list(&actor_head);
    empty_list(&mist_head);
    current_slot = &room_table[index];
    current_room = *current_slot;
    current_room->visits++;
    current_room->entered_frame = frame_began;
    courier.room = (u8)index;
    ledger.last_door = &current_room->doors[0];
    ledger.rooms_entered++;
    fill_room(index);
}

static void begin_room(u32 index)
{
    Room *room = &rooms[index];
    memset(room, 0, sizeof *room);
    copy_text(room->name, names[index], sizeof room->name);
    room->index = (u16)index;
    room->weather = weathers[index];
    room->doors[0] = (Vec3){1.7f, 0.0f, 42.3f};
    room->doors[1] = (Vec3){-16.5f * (f32)(index + 1), 0.0f, -4.0f};
    for (u32 i = 0; i < 24; i++)
        room->tiles[i / 6][i % 6] = (u8)(index * 64 + i);
    room->neighbours[0] = &rooms[(index + 1) % ROOM_COUNT];
    room->neighbours[1] = &rooms[(index + ROOM_COUNT - 1) % ROOM_COUNT];
    room_table[index] = room;
}

void rooms_begin(void)
{
    actor_head = NULL;
    mist_head = NULL;
    for (u32 i = 0; i < ROOM_COUNT; i++)
        begin_room(i);
}

void rooms_update(void)
{
    u32 actors = 0;
    for (Actor *actor = actor_head; actor; actor = actor->next)
        actors++;
    for (Actor *actor = mist_head; actor; actor = actor->next)
        actors++;
    current_room->actor_count = actors;
}
