/* Encoder edges: read from their ring in order, checked, kept a while as neighbours of contacts, packed into Edges. */
#ifndef EDGES_H
#define EDGES_H

#include <stdbool.h>
#include <stdint.h>

/* One edge; step 0 is an illegal transition. */
typedef struct {
    uint32_t tick;
    int8_t step;
} edge_t;

void edges_begin(void);
void edges_session(bool wanted);
/* Reads edges up to that number, not included. */
void edges_read(uint16_t until);
/* Frames that are due; suspension. Call when everything up to `now` has been read. */
void edges_tend(void);
/* The session ends: no further edge is reported. */
void edges_end(void);
/* Sends the open frame; true when nothing is left of it. */
bool edges_stop(void);
bool edges_suspended(void);

/* The latest edges read: how many are kept, and the one so many before the latest (0: the latest). */
uint8_t edges_kept(void);
const edge_t *edge_before_last(uint8_t back);
/* Number of the next edge to be read. */
uint16_t edges_next(void);

#endif
