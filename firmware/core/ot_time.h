/* Time by the port's tick. */
#ifndef OT_TIME_H
#define OT_TIME_H

#include <stdbool.h>
#include <stdint.h>

#include "ot_board.h"

#define OT_TICKS_PER_MS ((uint32_t)(1000000ul / OT_TICK_NS))

/* Has it been `ms` since the tick `since`? Good until the tick has gone round (4.7 hours at 4 us). */
bool ot_time_passed(uint32_t since, uint16_t ms);

static inline bool ot_time_is_earlier(uint32_t tick, uint32_t than) { return (int32_t)(tick - than) < 0; } /* ticks wrap */

#endif
