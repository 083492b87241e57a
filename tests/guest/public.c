/* The public variables: each in a section of its own, which layouts/BUILD/layout.ld places.
 *
 * So their addresses depend on the build alone, never on what a compiler made of the code. */
#include "tidewright.h"

#define PUBLIC(name) __attribute__((section(".public." #name))) name

volatile u32 PUBLIC(frame_began);
volatile u32 PUBLIC(frame_ended);
volatile Mailbox PUBLIC(mailbox);
__attribute__((section(".public.pulse"))) volatile Pulse pulse[PULSE_COUNT];
__attribute__((section(".public.foam"))) volatile u32 foam[FOAM_COUNT];
u32 PUBLIC(fault);
Command PUBLIC(script);
u32 PUBLIC(script_frame);
u32 PUBLIC(script_laps);
u32 PUBLIC(script_began);
u32 PUBLIC(random_state);
Actor PUBLIC(courier);
Actor *PUBLIC(actor_head);
Actor *PUBLIC(mist_head);
__attribute__((section(".public.rooms"))) Room rooms[ROOM_COUNT];
__attribute__((section(".public.room_table"))) Room *room_table[ROOM_COUNT];
Room *PUBLIC(current_room);
Room **PUBLIC(current_slot);
BlockHeader *PUBLIC(heap_head);
u32 PUBLIC(heap_start);
u32 PUBLIC(heap_end);
u32 PUBLIC(heap_count);
u32 PUBLIC(heap_free_bytes);
u32 PUBLIC(heap_checksum);
u32 PUBLIC(stale_address);
u32 PUBLIC(reuse_frame);
Ledger PUBLIC(ledger);
