/* Trouble: what was lost, doubted or refused, gathered and told. */
#ifndef TROUBLES_H
#define TROUBLES_H

#include <stdbool.h>
#include <stdint.h>

#define NO_CHANNEL 255u

/* Kinds that are gathered or kept until they can be told. */
enum {
    KEPT_ILLEGAL,
    KEPT_NEAR,
    KEPT_AGAIN,
    KEPT_INDEX_OFF,
    KEPT_SUPPLY_DIP,
    KEPT_CONTACT_OVERRUN, /* one for each channel */
};

void troubles_begin(void);
/* A session begins: what makes the count doubtful stays, to be told in it. */
void troubles_session(void);
void trouble_note(uint8_t kept, uint32_t tick, uint32_t amount);
/* At once, or counted as dropped; what began at that tick lasted until now. */
void trouble_tell(uint8_t code, uint32_t tick, uint32_t amount);
/* A message found no room. */
void trouble_dropped(void);
/* Tells what is due, or everything; true when nothing is left. */
bool troubles_tend(bool everything);
uint16_t troubles_told(void);

#endif
