/* The chip: made, loaded, reset and run, one instruction or one stretch up to the next event at a time. */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "bench.h"

enum { ENTRY_CYCLES = 4, ENTRY_FROM_SLEEP = 4, OPCODE_RETI = 0x9518, FREE_RUN = 1 << 20 };

/* The emulator's messages: the first one about an opcode it does not know ends the run. */
static void hear(avr_t *avr, const int level, const char *format, va_list ap)
{
    bench_t *b = avr != NULL ? avr->custom.data : NULL;
    if (b == NULL || level > LOG_WARNING) {
        return;
    }
    char text[160];
    (void)vsnprintf(text, sizeof text, format, ap);
    if (strstr(text, "nvalid Opcode") != NULL || strstr(text, "nvalid opcode") != NULL) {
        b->bad_opcode = true;
    }
    if (b->message[0] == 0) {
        (void)snprintf(b->message, sizeof b->message, "%s", text);
    }
}

static void no_sleep(avr_t *avr, avr_cycle_count_t how_long)
{
    (void)avr;
    (void)how_long;
}

bench_t *bench_new(const bench_config_t *config)
{
    avr_global_logger_set(hear);
    avr_t *avr = avr_make_mcu_by_name("atmega328p");
    bench_t *b = calloc(1, sizeof *b);
    if (avr == NULL || b == NULL) {
        free(b);
        return NULL;
    }
    b->cfg = *config;
    b->avr = avr;
    avr->custom.data = b;
    avr_init(avr);
    avr->log = LOG_WARNING;
    avr->frequency = config->frequency_hz;
    avr->sleep = no_sleep;
    avr->reset_pc = config->reset_pc;
    bench_set_voltage(b, config->vcc_mv);
    b->pc_cycles = calloc(FLASH_WORDS, sizeof *b->pc_cycles);
    if (b->pc_cycles == NULL) {
        abort();
    }
    uart_install(b);
    spi_install(b);
    timers_install(b);
    edges_install(b);
    adc_install(b);
    bus_install(b);
    pins_install(b);
    eeprom_install(b);
    watchdog_install(b);
    selfprogram_install(b);
    return b;
}

void bench_free(bench_t *b)
{
    uart_free(b);
    card_free(b);
    selfprogram_free(b);
    world_free(b);
    bus_free(b);
    log_free(&b->pins);
    free(b->pc_cycles);
    avr_terminate(b->avr);
    free(b->avr);
    free(b);
}

/* Sizes of the structs Python shares, so that it can tell a layout gone wrong. */
uint32_t bench_abi(uint32_t which)
{
    const size_t sizes[] = {sizeof(bench_config_t), sizeof(bench_card_config_t), sizeof(bench_event_t),
                            sizeof(bench_write_t), sizeof(bench_uart_stats_t), sizeof(bench_passive_t),
                            sizeof(bench_card_stats_t), sizeof(bench_profile_t), sizeof(bench_pages_t),
                            sizeof(bench_part_config_t), sizeof(bench_sensor_stats_t)};
    return which < sizeof sizes / sizeof sizes[0] ? (uint32_t)sizes[which] : 0u;
}

void bench_set_voltage(bench_t *b, uint32_t vcc_mv)
{
    b->vcc_mv = vcc_mv;
    b->avr->vcc = b->avr->avcc = b->avr->aref = vcc_mv;
}

void bench_load_flash(bench_t *b, const uint8_t *code, uint32_t size, uint32_t address)
{
    memcpy(b->avr->flash + address, code, size);
    if (address + size > b->avr->codeend) {
        b->avr->codeend = address + size;
    }
}

void bench_read_flash(bench_t *b, uint8_t *to, uint32_t size, uint32_t address)
{
    memcpy(to, b->avr->flash + address, size);
    if (b->selfprogram.hidden && address < NRWW_START) {
        uint32_t below = NRWW_START - address;
        memcpy(to, b->selfprogram.rww + address, size < below ? size : below);
    }
}

static void randomise(bench_t *b, uint64_t seed)
{
    uint64_t state = seed;
    for (uint32_t i = 0; i < 32u; i++) {
        b->avr->data[i] = (uint8_t)noise_next(&state);
    }
    for (uint32_t i = 0x100; i <= b->avr->ramend; i++) {
        b->avr->data[i] = (uint8_t)noise_next(&state);
    }
}

static void profile_restart(bench_t *b)
{
    b->nest = 0;
    b->off_since = b->hold_until;
    b->was_on = false;
    b->ever_on = false;
}

/* Any reset. The cause's bit joins those already in MCUSR, except that a power-on clears the others. */
void bench_reset(bench_t *b, uint32_t cause, uint64_t seed)
{
    avr_t *avr = b->avr;
    uint32_t flags = cause == RESET_POWER_ON ? cause : (avr->data[REG_MCUSR] & 0x0Fu) | cause;
    if (cause == RESET_POWER_ON) {
        bench_page_cut(b, seed);
        randomise(b, seed);
        if (b->card.present) {
            card_power_on(b);
        }
        if (b->bus.part.fitted) {
            part_power(b, part_present(b));
        }
    }
    avr_reset(avr);
    b->hold_until = avr->cycle + b->cfg.startup_cycles;
    avr->data[REG_MCUSR] = (uint8_t)flags;
    avr->interrupts.running_ptr = 0;
    avr->interrupt_state = 0;
    b->bad_opcode = false;
    b->message[0] = 0;
    uart_reset(b);
    spi_reset(b);
    eeprom_reset(b);
    watchdog_reset(b);
    selfprogram_reset(b);
    timers_reset(b);
    edges_reset(b);
    adc_reset(b);
    pins_changed(b);
    profile_restart(b);
}

/* ---- profile ---- */

static void profile_entered(bench_t *b, uint8_t vector, uint64_t start)
{
    if (b->nest < NEST_ROOM) {
        b->nest_vector[b->nest] = vector;
        b->nest_start[b->nest] = start;
    }
    b->nest++;
}

static void profile_left(bench_t *b)
{
    if (b->nest == 0) {
        return;
    }
    b->nest--;
    if (b->nest < NEST_ROOM) {
        uint32_t v = b->nest_vector[b->nest] % VECTORS;
        uint64_t took = b->avr->cycle - b->nest_start[b->nest];
        b->profile.irq_count[v]++;
        b->profile.irq_total[v] += took;
        if (took > b->profile.irq_max[v]) {
            b->profile.irq_max[v] = (uint32_t)took;
        }
    }
}

static void profile_step(bench_t *b, avr_flashaddr_t pc, uint64_t before)
{
    avr_t *avr = b->avr;
    uint32_t word = (pc >> 1) % FLASH_WORDS;
    b->pc_cycles[word] += avr->cycle - before;
    uint32_t sp = (uint32_t)avr->data[REG_SPL] | ((uint32_t)avr->data[REG_SPH] << 8);
    if (sp < b->profile.sp_min) {
        b->profile.sp_min = sp;
    }
    if (((uint32_t)avr->flash[pc] | ((uint32_t)avr->flash[pc + 1u] << 8)) == OPCODE_RETI) {
        profile_left(b);
    }
    bool on = avr->sreg[S_I] != 0;
    if (on != b->was_on) {
        if (on) {
            uint64_t off = avr->cycle - b->off_since;
            if (!b->ever_on) {
                b->profile.irq_off_start = off;
            } else if (off > b->profile.irq_off_max) {
                b->profile.irq_off_max = off;
                b->profile.irq_off_max_at = b->off_since;
                b->profile.irq_off_pc = b->off_pc;
            }
            b->ever_on = true;
        } else {
            b->off_since = avr->cycle;
            b->off_pc = pc;
        }
        b->was_on = on;
    }
}

void bench_clear_profile(bench_t *b)
{
    memset(&b->profile, 0, sizeof b->profile);
    memset(b->pc_cycles, 0, FLASH_WORDS * sizeof *b->pc_cycles);
    b->profile.sp_min = b->avr->ramend;
}

void bench_get_profile(bench_t *b, bench_profile_t *to)
{
    *to = b->profile;
}

const uint64_t *bench_pc_cycles(bench_t *b)
{
    return b->pc_cycles;
}

/* ---- running ---- */

/* Enters the most urgent interrupt, if one is due. The emulator takes no time for it; silicon takes four
 * cycles, and four more out of sleep. */
static void enter_interrupt(bench_t *b, bool woke)
{
    avr_t *avr = b->avr;
    if (avr->interrupt_state < -1) {
        avr->interrupt_state = -1;   /* one instruction after SEI or RETI goes first, not two */
    }
    if (avr->interrupt_state == 0 || !avr->sreg[S_I]) {
        return;
    }
    uint64_t start = avr->cycle;
    avr_flashaddr_t pc = avr->pc;
    avr_service_interrupts(avr);
    if (avr->sreg[S_I]) {
        return;
    }
    uint8_t vector = (uint8_t)(avr->pc / avr->vector_size);
    avr->cycle += woke ? ENTRY_CYCLES + ENTRY_FROM_SLEEP : ENTRY_CYCLES;
    avr->run_cycle_count = 1;
    uart_entered(b, vector);
    spi_entered(b, vector);
    watchdog_entered(b, vector);
    timers_entered(b, vector);
    edges_entered(b, vector);
    adc_entered(b, vector);
    if (b->cfg.profile) {
        profile_entered(b, vector, start);
        b->off_since = start;
        b->off_pc = pc;
        b->was_on = false;
    }
}

/* The start-up time after a reset: the oscillator settles, timers of the bench go on, no instruction runs. */
static void hold(bench_t *b, uint64_t until)
{
    avr_t *avr = b->avr;
    uint64_t quiet = avr_cycle_timer_process(avr);
    uint64_t end = b->hold_until < until ? b->hold_until : until;
    uint64_t left = end - avr->cycle;
    avr->cycle += quiet < left ? quiet : left;
    avr->run_cycle_count = 1;
}

static void doze(bench_t *b, uint64_t until, uint64_t how_long)
{
    avr_t *avr = b->avr;
    uint64_t left = until > avr->cycle ? until - avr->cycle : 0u;
    uint64_t take = how_long < left ? how_long : left;
    avr->cycle += take;
    b->profile.cycles_asleep += take;
    b->profile.sleep_modes |= 1u << ((avr->data[REG_SMCR] >> 1) & 7u);
}

/* One step; false when the chip can do no more. */
static bool step(bench_t *b, uint64_t until)
{
    avr_t *avr = b->avr;
    uint64_t before = avr->cycle;
    avr_flashaddr_t pc = avr->pc;
    avr_flashaddr_t next = pc;
    bool asleep = avr->state == cpu_Sleeping;
    if (before < b->hold_until) {
        hold(b, until);
        return true;
    }
    if (avr->state == cpu_Running) {
        next = avr_run_one(avr);
        if (b->cfg.profile) {
            profile_step(b, pc, before);
        }
    }
    uint64_t quiet = avr_cycle_timer_process(avr);
    if (b->watchdog.bitten) {
        bench_reset(b, RESET_WATCHDOG, 0);
        return true;
    }
    avr->pc = next;
    if (b->bad_opcode || avr->state == cpu_Crashed || avr->state == cpu_Stopped || avr->state == cpu_Done) {
        return false;
    }
    if (avr->state == cpu_Sleeping) {
        if (!avr->sreg[S_I]) {
            return false;
        }
        doze(b, until, quiet);
    }
    enter_interrupt(b, asleep);
    return true;
}

static avr_cycle_count_t deadline(avr_t *avr, avr_cycle_count_t when, void *param)
{
    (void)avr;
    (void)when;
    (void)param;
    return 0;
}

/* Runs until the first instruction boundary at or after `until`, a stop condition, or the chip's end. */
int32_t bench_run(bench_t *b, uint64_t until)
{
    avr_t *avr = b->avr;
    b->stop = false;
    if (until > avr->cycle) {
        bench_at(b, until, deadline, b);   /* so that a free run ends in time */
    }
    while (avr->cycle < until && !b->stop) {
        avr->run_cycle_limit = b->cfg.profile ? 1u : FREE_RUN;
        if (!step(b, until)) {
            bool crashed = b->bad_opcode || avr->state == cpu_Crashed || avr->state == cpu_Stopped;
            return crashed ? STATUS_CRASHED : STATUS_ASLEEP_FOR_EVER;
        }
    }
    avr_cycle_timer_cancel(avr, deadline, b);
    if (b->bad_opcode) {
        return STATUS_CRASHED;
    }
    return b->stop ? STATUS_STOPPED : STATUS_REACHED;
}

/* Counts at which a run stops, each since the bench was made; 0 for never. */
void bench_stop_when(bench_t *b, uint64_t writes, uint64_t tx_bytes, uint64_t reads)
{
    b->stop_writes = writes;
    b->stop_tx = tx_bytes;
    b->stop_reads = reads;
}

uint64_t bench_cycle(bench_t *b)
{
    return b->avr->cycle;
}

uint32_t bench_pc(bench_t *b)
{
    return b->avr->pc;
}

const char *bench_message(bench_t *b)
{
    return b->message;
}

uint32_t bench_read_data(bench_t *b, uint32_t address, uint8_t *to, uint32_t size)
{
    uint32_t end = (uint32_t)b->avr->ramend + 1u;
    if (address > end || size > end - address) {
        return 0;
    }
    memcpy(to, b->avr->data + address, size);
    return 1;
}

uint32_t bench_write_data(bench_t *b, uint32_t address, const uint8_t *from, uint32_t size)
{
    uint32_t end = (uint32_t)b->avr->ramend + 1u;
    if (address > end || size > end - address) {
        return 0;
    }
    memcpy(b->avr->data + address, from, size);
    return 1;
}

void bench_get_passive(bench_t *b, bench_passive_t *to)
{
    *to = b->passive;
}
