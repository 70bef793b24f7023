/* The one light: plays a pattern of the spec by the clock. */
#ifndef OT_LIGHT_H
#define OT_LIGHT_H

#include "ot_board.h"

void ot_light_set(ot_light pattern);
void ot_light_poll(void);

#endif
