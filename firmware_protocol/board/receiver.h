/* Bytes from the host to checked messages. */
#ifndef RECEIVER_H
#define RECEIVER_H

#include <stdbool.h>
#include <stdint.h>

void receiver_begin(void);
/* The next byte from the host. */
void receiver_take(uint8_t byte);

#endif
