/* The game loop: one frame's work in six parts, with time between them.
 *
 * Each part ends by writing the frame's number into its own pulse. A copy of memory whose
 * pulses differ was taken across two moments. */
#include "tidewright.h"

static Load load;

static void obey_mailbox(void)
{
    u32 sequence = mailbox.sequence;
    if (sequence == mailbox.acknowledged)
        return;
    order_writes();
    Command command = mailbox.command;
    load = mailbox.load;
    if (command != COMMAND_NONE)
        script_begin(command);
    order_writes();
    mailbox.acknowledged = sequence;
}

static void beat(u32 part)
{
    pulse[part].part = part;
    pulse[part].frame = frame_began;
}

static void update_ledger(void)
{
    ledger.letters += 3;
    ledger.balance -= 0x10000000 - (s32)courier.step_count;
    ledger.mean_step = script_frame ? (f64)(s32)courier.step_count / (f64)(s32)script_frame : 0.0;
    ledger.wage += 0x0000000A;
}

static void do_part(u32 part)
{
    switch (part) {
    case 0:
        obey_mailbox();
        script_step();
        break;
    case 1:
        courier_update();
        break;
    case 2:
        actors_update();
        break;
    case 3:
        courier_carry();
        break;
    case 4:
        mist_update();
        rooms_update();
        break;
    case 5:
        update_ledger();
        heap_summarise();
        break;
    }
}

static void play_frame(void)
{
    frame_began = frame_began + 1;
    order_writes();
    for (u32 part = 0; part < PULSE_COUNT; part++) {
        if (part)
            clock_spread(load);
        do_part(part);
        beat(part);
    }
    order_writes();
    frame_ended = frame_began;
}

void game_run(void);

void game_run(void)
{
    load = LOAD_NORMAL;
    script_begin(COMMAND_GRAND_TOUR);
    mailbox.magic = MAILBOX_MAGIC;
    clock_start();
    for (;;) {
        play_frame();
        while (mailbox.hold_at == script_frame && mailbox.sequence == mailbox.acknowledged)
            clock_nap();
        clock_end_of_frame(load);
    }
}
