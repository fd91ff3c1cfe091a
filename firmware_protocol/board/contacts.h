/* Contact: one for each edge of a probe, told once the encoder edges after it are known; storms merged. */
#ifndef CONTACTS_H
#define CONTACTS_H

#include <stdbool.h>
#include <stdint.h>

#include "clock.h"

void contacts_begin(void);
void contacts_session(void);
/* An edge of a probe, which came when all encoder edges read so far had come, and no more. */
void contact_edge(uint8_t channel, bool opened, const place_t *where);
/* The next encoder edge. */
void contacts_edge(uint32_t tick, int8_t step);
/* Encoder edges were missed: what waits for edges after it can have no more. */
void contacts_edges_lost(void);
/* True if none waits for encoder edges. */
bool contacts_complete(void);
/* Sends what is complete, or everything; true when none is left. */
bool contacts_tend(bool everything);
/* Edges since Start, told or not. */
uint16_t contacts_tally(uint8_t channel);

#endif
