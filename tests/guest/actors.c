/* The actors of the room: two linked lists, one of things and one of mist puffs. */
#include "tidewright.h"

u32 random_next(void)
{
    random_state = random_state * 1103515245u + 12345u;
    return random_state >> 16;
}

static u32 size_of_kind(u16 kind)
{
    switch (kind) {
    case KIND_LANTERN:
        return sizeof(Lantern);
    case KIND_CRATE:
        return sizeof(Crate);
    case KIND_GULL:
        return sizeof(Gull);
    case KIND_BUOY:
        return sizeof(Buoy);
    case KIND_MIST_PUFF:
        return sizeof(MistPuff);
    default:
        return sizeof(Actor);
    }
}

static Actor **list_of(u16 kind)
{
    return kind == KIND_MIST_PUFF ? &mist_head : &actor_head;
}

static void fill_parcel(Parcel *parcel, u32 number)
{
    parcel->code = 0x50410000u + number;
    parcel->weight = (s16)(120 - 75 * (s32)number);
    parcel->stamp = (u8)(3 * number);
    parcel->grade = (s8)(2 - (s32)number);
    parcel->freshness = (q8_8)(0x0180 - 0x70 * (s32)number);
    parcel->fragile = number & 1;
    parcel->wet = (number >> 1) & 1;
    parcel->postage = (u16)(9 * number) & 0x3F;
    parcel->zone = (u16)(0xE0 + number) & 0xFF;
    parcel->due_frame = 600 + 60 * number;
}

static void begin_common(Actor *actor, u16 kind, const char *name, f32 x, f32 y, f32 z)
{
    actor->kind = kind;
    actor->room = current_room ? (u8)current_room->index : 0;
    actor->layer = (s8)(2 - (s32)kind);
    actor->flags = FLAG_VISIBLE | FLAG_AWAKE;
    copy_text(actor->name, name, sizeof actor->name);
    actor->id = (u32)kind << 16 | (random_next() & 0xFFFF);
    actor->hue = (4 * kind + 3) & 0x1F;
    actor->shade = kind & 7;
    actor->glow = (0x21 * kind) & 0xFF;
    actor->pattern = (kind + 9) & 0xF;
    actor->worn = kind & 1;
    actor->home = actor->position = (Vec3){x, y, z};
    for (u32 i = 0; i < 3; i++)
        actor->trail[i] = actor->position;
    actor->token = 0xC0FFEE00u | kind;
    for (s32 i = 0; i < 4; i++) {
        actor->trim[i] = (s16)(100 * kind - 333 * i);
        actor->tilt[i] = (s8)(kind - 5 * i);
    }
    for (u32 i = 0; i < 8; i++)
        fill_parcel(&actor->satchel[i], i);
}

static void begin_crate(Crate *crate)
{
    crate->actor.flags |= FLAG_SOLID;
    crate->mass = 12.625;
    fill_parcel(&crate->contents[0], 11);
    fill_parcel(&crate->contents[1], 14);
}

static void begin_own_fields(Actor *actor)
{
    switch (actor->kind) {
    case KIND_LANTERN:
        actor->flags |= FLAG_LIT;
        ((Lantern *)actor)->fuel = 96.5f;
        ((Lantern *)actor)->wick = 40;
        break;
    case KIND_CRATE:
        begin_crate((Crate *)actor);
        break;
    case KIND_GULL:
        actor->flags |= FLAG_AIRBORNE | FLAG_HARMLESS;
        actor->speed = 0.25f;
        ((Gull *)actor)->perch = actor->home;
        ((Gull *)actor)->chased = &courier;
        break;
    case KIND_BUOY:
        actor->flags |= FLAG_AFLOAT;
        actor->buoyancy = 0x00018000;
        break;
    case KIND_MIST_PUFF:
        actor->flags |= FLAG_HARMLESS;
        ((MistPuff *)actor)->frames_left = 40 + (random_next() & 15);
        ((MistPuff *)actor)->seed = random_next();
        break;
    }
}

void courier_begin(void)
{
    memset(&courier, 0, sizeof courier);
    begin_common(&courier, KIND_COURIER, "Wren", 1.7f, 0.0f, -3.3f);
    courier.flags |= FLAG_SOLID;
}

/* NULL when the heap is full. The newest comes first in its list. */
Actor *actor_spawn(u16 kind, const char *name, f32 x, f32 y, f32 z)
{
    Actor *actor = heap_allocate(size_of_kind(kind));
    if (!actor)
        return NULL;
    begin_common(actor, kind, name, x, y, z);
    begin_own_fields(actor);
    Actor **head = list_of(kind);
    actor->next = *head;
    if (actor->next)
        actor->next->previous = actor;
    *head = actor;
    return actor;
}

void actor_remove(Actor *actor)
{
    if (actor->previous)
        actor->previous->next = actor->next;
    else
        *list_of(actor->kind) = actor->next;
    if (actor->next)
        actor->next->previous = actor->previous;
    heap_release(actor);
}

Actor *actor_find(u16 kind)
{
    for (Actor *actor = *list_of(kind); actor; actor = actor->next)
        if (actor->kind == kind)
            return actor;
    return NULL;
}

static void update_lantern(Lantern *lantern)
{
    lantern->fuel -= 0.03125f;
    lantern->flicker = (s16)((random_next() & 0xFF) - 128);
    lantern->beam_turn += 0x0155;
    lantern->beam = (Vec3){sine(lantern->beam_turn), -0.125f, cosine(lantern->beam_turn)};
}

static void update_gull(Gull *gull)
{
    Actor *actor = &gull->actor;
    u16 way = (u16)(script_frame * 0x0180 + (actor->id & 0xFF) * 0x100);
    gull->goal = gull->chased->position;
    gull->bank = (u16)(0xF000 + (way >> 4));
    gull->flap = (s16)((script_frame % 16) * 2000 - 15000);
    gull->altitude = 18.0f + 2.0f * sine((u16)(3 * way));
    gull->dives += script_frame % 90 == 89;
    actor->facing = way;
    actor->lean = (s32)(script_frame % 64) - 32;
    actor->velocity = (Vec3){cosine(way) * actor->speed, 0.0f, -sine(way) * actor->speed};
    actor->position.x = gull->perch.x + 10.0f * sine(way);
    actor->position.y = gull->altitude;
    actor->position.z = gull->perch.z + 10.0f * cosine(way);
}

static void update_buoy(Buoy *buoy)
{
    buoy->phase += 0x0200;
    f32 bob = sine(buoy->phase);
    buoy->actor.position.y = buoy->actor.home.y + bob;
    buoy->depth = (q16_16)(bob * -65536.0f);
    buoy->actor.roll = (u16)(s16)(bob * 4000.0f);
    buoy->actor.tide = bob < -0.25f ? TIDE_EBB : bob > 0.25f ? TIDE_FLOOD : TIDE_SLACK;
    for (u32 i = 0; i < 4; i++)
        buoy->sounding[i] = (s8)(bob * 100.0f - (f32)(20 * i));
    buoy->bell += script_frame % 30 == 0;
}

static void update_common(Actor *actor)
{
    actor->seen_frame = frame_began;
    actor->age_ticks += 0x1000000016ull;
    actor->drift -= 0x2000003;
    actor->longitude = (f64)(s32)script_frame * -0.015625;
    actor->timer++;
    for (u32 row = 0; row < 2; row++)
        for (u32 column = 0; column < 3; column++)
            actor->sway[row][column] = (f32)(row * 3 + column) + (f32)(script_frame & 63) / 64.0f;
}

void actors_update(void)
{
    for (Actor *actor = actor_head; actor; actor = actor->next) {
        update_common(actor);
        if (actor->kind == KIND_LANTERN)
            update_lantern((Lantern *)actor);
        else if (actor->kind == KIND_GULL)
            update_gull((Gull *)actor);
        else if (actor->kind == KIND_BUOY)
            update_buoy((Buoy *)actor);
    }
}

static void update_mist_puff(MistPuff *puff)
{
    update_common(&puff->actor);
    puff->actor.position.x += 0.0625f;
    for (u32 i = 0; i < 16; i++)
        puff->density[i / 4][i % 4] = (f32)puff->frames_left / (f32)(i + 1);
    for (u32 i = 0; i < 6; i++)
        puff->wisps[i] = (Vec3){(f32)i, puff->actor.position.x, sine((u16)(i * 0x2000))};
}

/* A puff whose time is up is released, and a new one appears: blocks come and go. */
void mist_update(void)
{
    Actor *actor = mist_head;
    while (actor) {
        Actor *next = actor->next;
        MistPuff *puff = (MistPuff *)actor;
        if (--puff->frames_left == 0) {
            actor_remove(actor);
            actor_spawn(KIND_MIST_PUFF, "mist", (f32)(random_next() & 31), 1.0f, 4.0f);
        } else {
            update_mist_puff(puff);
        }
        actor = next;
    }
}
