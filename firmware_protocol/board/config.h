/* What this board is: rates, channels, sizes of its stores. */
#ifndef CONFIG_H
#define CONFIG_H

#include <stdint.h>

#define TICK_HZ 2000000ul
#define TICKS_PER_MS 2000u

/* Four encoder edges, one line of the disc, nearer than this many ticks are told. Over a whole line the phase error of the two
 * signals cancels, so that only speed counts. A latch comes up to 4 us (8 ticks) late while other handlers run: at the
 * rated 110,000 edges/s four edges take 72 ticks, so that no late latch is told, and 143,000 edges/s are told always. */
#define RATED_EDGE_HZ 110000ul
#define NEAR_EDGES 4u
#define NEAR_TICKS 64u

#define CHANNELS 3u
#define LEVEL_CHANNELS 3u

#define EDGE_RING 64u
#define EVENT_RING 16u
#define EDGE_HISTORY 16u
#define CONTACTS_MOST 18u
#define MERGE_FROM 8u
#define STEPS_MOST 40u
#define RECEIVE_RING 64u
#define RECEIVE_MOST 34u

#define CONTACT_WAIT_TICKS (50ul * TICKS_PER_MS)
#define QUIET_TICKS (2ul * TICKS_PER_MS)
#define EDGES_CLOSE_TICKS (18ul * TICKS_PER_MS)
#define LONGEST_STEP 0x7FFFu
#define WINDOW_TICKS (10ul * TICKS_PER_MS)
#define WINDOW_EDGES 100u
#define WINDOWS_TO_RESUME 5u
#define GATHER_TICKS (20ul * TICKS_PER_MS)

#define FIRMWARE_MAJOR 1u
#define FIRMWARE_MINOR 0u
#define FIRMWARE_PATCH 0u
#ifndef FIRMWARE_BUILD
#define FIRMWARE_BUILD 0ul
#endif

/* Bits of the pins that come with an event. Open points and a pedal that is up leave their pin high. */
#define BIT_CONTACT 0x02u /* channel 0; the others follow */
#define BIT_CONTACTS 0x0Eu
#define BIT_PEDAL 0x10u

#endif
