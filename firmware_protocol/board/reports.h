/* Position, Level, Press, Index, and the answers Hello and Pong. */
#ifndef REPORTS_H
#define REPORTS_H

#include <stdbool.h>
#include <stdint.h>

#include "clock.h"

void send_hello(void);
/* To be called only while `pong_room`. */
void send_pong(uint16_t token);
bool pong_room(void);
/* Hello and Pong that found no room before. */
void answers_tend(void);

void reports_session(uint8_t position_hz, uint8_t level_hz);
void send_press(const place_t *where, uint8_t source, bool down, uint16_t request);
void send_index(const place_t *where, int8_t step);
/* Position and Level that are due. */
void reports_tend(uint8_t levels, bool pedal_down);
/* Keeps an eye on the supply, in a session or not. */
void supply_tend(void);
void supply_begin(void);

#endif
