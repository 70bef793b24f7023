/* An SD card on the SPI bus, byte by byte: what it drives, blocks going in and out, busy.
 * Source of the protocol: SD Physical Layer Simplified Specification 4.10, chapter 7. */
#include <stdlib.h>
#include <string.h>

#include "bench.h"

enum { TOKEN_SINGLE = 0xFE, TOKEN_MULTI = 0xFC, TOKEN_STOP = 0xFD };
enum { RESPONSE_CRC = 0x0B, RESPONSE_WRITE_ERROR = 0x0D, RESPONSE_NONE = 0xFF };
enum { ERROR_TOKEN_ECC = 0x04, ERROR_TOKEN_RANGE = 0x08 };

static uint8_t undriven(struct card *c)
{
    return c->cfg.miso_floats ? (uint8_t)noise_next(&c->noise) : 0xFFu;
}

static bool busy(const bench_t *b)
{
    return b->avr->cycle < b->card.busy_until;
}

/* The block in flight reaches the medium when busy ends. */
void card_settle(bench_t *b)
{
    struct card *c = &b->card;
    if (c->in_flight && !busy(b)) {
        fault_settle(b);
        c->in_flight = false;
    }
}

bool card_fault(const struct card *c, uint32_t kind, uint64_t ordinal)
{
    for (uint64_t i = 0; i < c->fault_count[kind]; i++) {
        if (c->faults[kind][i] == ordinal) {
            return true;
        }
    }
    return false;
}

static uint64_t next_busy(struct card *c)
{
    return c->busy_count ? c->busy[c->busy_next++ % c->busy_count] : 0u;
}

uint64_t card_read_time(struct card *c)
{
    return c->read_count ? c->read_times[c->read_next++ % c->read_count] : c->cfg.read_latency_cycles;
}

/* ---- writing ---- */

static void accept_block(bench_t *b, bench_write_t *w)
{
    struct card *c = &b->card;
    uint64_t now = b->avr->cycle;
    c->response = (uint8_t)c->cfg.accept_token;
    w->response = 5;
    fault_accept(b, c->write_lba, c->block);
    c->in_flight = true;
    c->busy_until = now + next_busy(c);
    w->durable = c->busy_until;
    c->stats.blocks_written++;
    c->write_lba++;
    if (b->stop_writes && c->stats.blocks_written >= b->stop_writes) {
        bench_halt(b);
    }
}

/* A whole data block with its CRC has come in: answer it. */
static void end_of_block(bench_t *b)
{
    struct card *c = &b->card;
    uint64_t ordinal = c->write_ordinal++;
    bench_write_t *w = log_add(&c->writes, sizeof *w);
    memset(w, 0, sizeof *w);
    w->accepted = b->avr->cycle;
    w->began = c->write_began;
    w->lba = c->write_lba;
    w->ordinal = (uint32_t)ordinal;
    w->single = c->write_multi ? 0u : 1u;
    uint16_t crc = (uint16_t)((c->block[SECTOR] << 8) | c->block[SECTOR + 1]);
    bool crc_wrong = c->crc_on && crc16_xmodem(c->block, SECTOR) != crc;
    if (crc_wrong || card_fault(c, FAULT_CRC_ERROR, ordinal)) {
        c->response = RESPONSE_CRC;
    } else if (c->write_lba >= c->sectors || card_fault(c, FAULT_WRITE_ERROR, ordinal)) {
        c->response = RESPONSE_WRITE_ERROR;
    } else if (card_fault(c, FAULT_SILENT, ordinal)) {
        c->response = RESPONSE_NONE;
    } else {
        accept_block(b, w);
    }
    if (w->response == 0) {
        w->response = c->response;
        c->stats.blocks_refused++;
    }
    c->respond = true;
    c->write_state = c->write_multi ? WRITE_TOKEN : WRITE_NONE;
}

static void stop_multi(bench_t *b)
{
    struct card *c = &b->card;
    c->write_state = WRITE_NONE;
    c->busy_until = b->avr->cycle + c->cfg.stop_busy_cycles;
}

/* A byte while the card waits for a token or for data. True when the byte belonged to the write. */
static bool write_byte(bench_t *b, uint8_t mosi)
{
    struct card *c = &b->card;
    if (c->write_state == WRITE_DATA) {
        c->block[c->write_got++] = mosi;
        if (c->write_got == SECTOR + 2) {
            end_of_block(b);
        }
        return true;
    }
    if (c->cmd_count > 0) {
        return false;
    }
    if (mosi == (c->write_multi ? TOKEN_MULTI : TOKEN_SINGLE)) {
        c->write_state = WRITE_DATA;
        c->write_got = 0;
        c->write_began = b->avr->cycle;
        return true;
    }
    if (c->write_multi && mosi == TOKEN_STOP) {
        stop_multi(b);
        return true;
    }
    return false;
}

/* ---- reading ---- */

static void read_one(bench_t *b)
{
    struct card *c = &b->card;
    uint64_t ordinal = c->read_ordinal++;
    c->stats.blocks_read++;
    if (c->read_lba >= c->sectors) {
        card_put(c, ERROR_TOKEN_RANGE);
        c->read_multi = false;
    } else if (card_fault(c, FAULT_READ_TOKEN, ordinal)) {
        card_put(c, ERROR_TOKEN_ECC);
        c->read_multi = false;
    } else {
        card_put_block(c, c->image + (size_t)c->read_lba * SECTOR, SECTOR, card_fault(c, FAULT_READ_CRC, ordinal));
    }
    c->read_lba++;
    c->read_pending = c->read_multi;
    c->read_ready = b->avr->cycle + card_read_time(c);
}

static uint8_t next_out(bench_t *b)
{
    struct card *c = &b->card;
    if (c->out_count == 0 && c->read_pending && b->avr->cycle >= c->read_ready) {
        read_one(b);
    }
    if (c->out_count == 0) {
        return 0xFF;
    }
    uint8_t v = c->out[c->out_head];
    c->out_head = (c->out_head + 1u) % OUT_ROOM;
    c->out_count--;
    return v;
}

/* ---- the bus ---- */

static void take_command_byte(bench_t *b, uint8_t mosi)
{
    struct card *c = &b->card;
    if (c->cmd_count == 0 && (mosi & 0xC0u) != 0x40u) {
        return;
    }
    c->cmd[c->cmd_count++] = mosi;
    if (c->cmd_count == 6u) {
        c->cmd_count = 0;
        if (b->avr->cycle >= c->power_on + c->cfg.power_up_cycles) {
            card_command(b);
        }
    }
}

/* Eight clocks: the byte the host sent, and the one it gets. */
uint8_t card_exchange(bench_t *b, uint8_t mosi)
{
    struct card *c = &b->card;
    if (!c->present) {
        return undriven(c);
    }
    card_settle(b);
    if (!c->selected) {
        c->clocks = c->clocks < 1000u ? c->clocks + 8u : c->clocks;
        return c->cfg.miso_low_before_init && !c->spi_mode ? 0x00 : undriven(c);
    }
    if (c->respond) {   /* comes in the byte right after the block, ahead of busy */
        c->respond = false;
        return c->response;
    }
    if (busy(b)) {
        if (c->out_count) {   /* an R1b: the response comes first */
            return next_out(b);
        }
        c->stats.busy_violations += mosi != 0xFF ? 1u : 0u;
        return 0x00;
    }
    bool was_silent = !c->spi_mode;
    uint8_t miso = next_out(b);
    if (c->write_state == WRITE_NONE || !write_byte(b, mosi)) {
        take_command_byte(b, mosi);
    }
    if (was_silent && miso == 0xFF) {
        return c->cfg.miso_low_before_init ? 0x00 : undriven(c);
    }
    return miso;
}

void card_select(bench_t *b, bool selected)
{
    struct card *c = &b->card;
    c->selected = selected;
    if (selected || !c->present) {
        return;
    }
    card_settle(b);
    c->cmd_count = 0;
    if (c->write_state == WRITE_DATA) {
        c->stats.deselected_mid_block++;
        if (!c->cfg.keeps_transfer) {
            c->write_state = WRITE_NONE;
        }
    }
    c->respond = false;
    c->read_pending = c->read_multi = false;
    card_clear_out(c);
}

void card_power_on(bench_t *b)
{
    struct card *c = &b->card;
    c->power_on = b->avr->cycle;
    c->clocks = 0;
    c->spi_mode = c->ready = c->app = c->crc_on = c->respond = false;
    c->idle = true;
    c->acmd41_first = 0;
    c->cmd0_left_to_ignore = c->cfg.cmd0_ignored;
    c->cmd_count = 0;
    c->read_multi = c->read_pending = false;
    c->write_state = WRITE_NONE;
    c->busy_until = 0;
    c->in_flight = false;
    c->stats.init_done_cycle = 0;
    card_clear_out(c);
}

void card_free(bench_t *b)
{
    struct card *c = &b->card;
    log_free(&b->fault.all);
    free(c->busy);
    free(c->read_times);
    for (int i = 0; i < FAULT_KINDS; i++) {
        free(c->faults[i]);
    }
    log_free(&c->writes);
    log_free(&c->commands);
}

/* ---- for Python ---- */

/* Puts a card into the socket, powered from now on. The image stays the caller's and must outlive the bench. */
void bench_card_insert(bench_t *b, const bench_card_config_t *config, uint8_t *image, uint32_t sectors)
{
    struct card *c = &b->card;
    c->cfg = *config;
    c->image = image;
    c->sectors = sectors;
    c->present = true;
    c->noise = config->noise_seed;
    b->fault.count = 0;   /* another card's blocks are none of this one's */
    card_power_on(b);
}

/* Pulls the card out. What was in flight stays in flight for bench_card_recent to tell. */
void bench_card_remove(bench_t *b)
{
    card_settle(b);
    b->card.present = false;
    b->card.ready = false;
}

static uint64_t *copy(const uint64_t *from, uint64_t count)
{
    uint64_t *to = malloc((size_t)(count ? count : 1u) * sizeof *to);
    if (to == NULL) {
        abort();
    }
    memcpy(to, from, (size_t)count * sizeof *to);
    return to;
}

/* Busy times in cycles, one for each accepted block, used again from the start when they run out. */
int32_t bench_card_busy_times(bench_t *b, const uint64_t *cycles, uint64_t count)
{
    free(b->card.busy);
    b->card.busy = copy(cycles, count);
    b->card.busy_count = count;
    b->card.busy_next = 0;
    return 0;
}

/* Times from a read's command to its data, in the same way; none: always that of the configuration. */
int32_t bench_card_read_times(bench_t *b, const uint64_t *cycles, uint64_t count)
{
    free(b->card.read_times);
    b->card.read_times = copy(cycles, count);
    b->card.read_count = count;
    b->card.read_next = 0;
    return 0;
}

int32_t bench_card_faults(bench_t *b, uint32_t kind, const uint64_t *ordinals, uint64_t count)
{
    if (kind >= FAULT_KINDS) {
        return -1;
    }
    free(b->card.faults[kind]);
    b->card.faults[kind] = copy(ordinals, count);
    b->card.fault_count[kind] = count;
    return 0;
}

void bench_card_stats(bench_t *b, bench_card_stats_t *to)
{
    struct card *c = &b->card;
    card_settle(b);
    *to = c->stats;
    to->ready = c->ready;
    to->present = c->present;
    to->in_flight = c->in_flight;
    to->receiving = c->write_state == WRITE_DATA;
    to->in_flight_lba = c->write_lba;
    to->crc_on = c->crc_on;
}

const bench_write_t *bench_card_writes(bench_t *b, uint64_t *count)
{
    *count = b->card.writes.count;
    return (const bench_write_t *)(const void *)b->card.writes.data;
}

/* Commands as they were carried out: kind = index (plus 64 for an ACMD), value = argument. */
const bench_event_t *bench_card_commands(bench_t *b, uint64_t *count)
{
    *count = b->card.commands.count;
    return (const bench_event_t *)(const void *)b->card.commands.data;
}

/* The card without a chip: the caller plays the bus master while the chip stands still. */
void bench_bus_select(bench_t *b, uint32_t selected)
{
    if ((selected != 0) != b->card.selected) {
        card_select(b, selected != 0);
    }
}

uint8_t bench_bus_exchange(bench_t *b, uint8_t mosi, uint32_t cycles)
{
    b->avr->cycle += cycles;
    return card_exchange(b, mosi);
}

void bench_bus_wait(bench_t *b, uint64_t cycles)
{
    b->avr->cycle += cycles;
}
