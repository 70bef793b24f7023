/* Power-up of the ATmega328P board, and the main loop. */
#include <avr/interrupt.h>
#include <avr/io.h>

#include "ot_logger.h"
#include "ot_port.h"
#include "avr_start.h"

/* It never returns: there is nothing to save. */
__attribute__((OS_main)) int main(void)
{
    avr_start();
    sei();
    ot_logger_start();
    for (;;) {
        ot_logger_poll();
    }
}
