/* What the courier can do. Facing 0 looks along +z, 0x4000 along +x. */
#include "tidewright.h"

void courier_stand(void)
{
    courier.speed = 0.0f;
    courier.velocity = (Vec3){0.0f, 0.0f, 0.0f};
}

void courier_walk(f32 speed)
{
    courier.speed = speed;
    courier.velocity = (Vec3){sine(courier.facing) * speed, 0.0f, cosine(courier.facing) * speed};
    courier.step_count++;
}

void courier_turn(s16 by)
{
    courier.turn_rate = (u16)by;
    courier.facing = (u16)(courier.facing + by);
}

void courier_pick_up(Actor *actor)
{
    courier.held = actor;
    actor->flags |= FLAG_CARRIED;
    actor->holder = &courier.held;
    ledger.picked_up++;
}

void courier_put_down(void)
{
    if (!courier.held)
        return;
    courier.held->flags &= ~FLAG_CARRIED;
    courier.held->holder = NULL;
    courier.held->position.y = courier.position.y;
    courier.held = NULL;
    ledger.put_down++;
}

void courier_update(void)
{
    courier.seen_frame = frame_began;
    courier.age_ticks += 0x1000000016ull;
    courier.drift -= 0x2000003;
    courier.timer++;
    for (u32 i = 2; i > 0; i--)
        courier.trail[i] = courier.trail[i - 1];
    courier.trail[0] = courier.position;
    courier.position.x += courier.velocity.x;
    courier.position.y += courier.velocity.y;
    courier.position.z += courier.velocity.z;
    courier.longitude = (f64)courier.position.x / 60.0 - 4.5;
    courier.mood = courier.held ? MOOD_LADEN : courier.speed > 0.0f ? MOOD_HURRIED : MOOD_CALM;
    courier.lean = (s32)(courier.step_count % 64) - 32;
    courier.memory[script_frame % 16] = frame_began;
    Actor *actor = actor_head;
    for (u32 i = 0; i < 4; i++) {
        courier.watchers[i] = actor;
        actor = actor ? actor->next : NULL;
    }
}

/* Nobody asks whether what is held still exists. This is the fault that stale hold shows. */
void courier_carry(void)
{
    if (!courier.held)
        return;
    courier.held->position.x = courier.position.x + 1.5f * sine(courier.facing);
    courier.held->position.y = courier.position.y + 1.25f;
    courier.held->position.z = courier.position.z + 1.5f * cosine(courier.facing);
    courier.held->facing = courier.facing;
}
