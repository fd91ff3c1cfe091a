/* Contacts, pedal and index: read from their ring, each after the encoder edges before it. */
#ifndef EVENTS_H
#define EVENTS_H

#include <stdbool.h>
#include <stdint.h>

void events_begin(void);
/* Reads all up to `now`, edges included; reports if a session runs. */
void events_read(bool reporting);
/* As of `now`: bit n is 1 while channel n is open. */
uint8_t events_levels(void);
bool events_pedal_down(void);

#endif
