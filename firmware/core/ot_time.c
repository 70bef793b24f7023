#include "ot_time.h"

#include "ot_compiler.h"
#include "ot_port.h"

OT_NOINLINE bool ot_time_passed(uint32_t since, uint16_t ms) { return ot_port_tick() - since >= ms * OT_TICKS_PER_MS; }
