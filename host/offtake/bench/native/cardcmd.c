/* The card's commands and their responses (SD Physical Layer Simplified Specification 4.10, chapter 7.3). */
#include <string.h>

#include "bench.h"

enum { R1_IDLE = 0x01, R1_ILLEGAL = 0x04, R1_CRC = 0x08, R1_ADDRESS = 0x20, R1_PARAMETER = 0x40 };
enum { ACMD = 64 };

void card_clear_out(struct card *c)
{
    c->out_head = c->out_count = 0;
}

void card_put(struct card *c, uint8_t byte)
{
    if (c->out_count < OUT_ROOM) {
        c->out[(c->out_head + c->out_count) % OUT_ROOM] = byte;
        c->out_count++;
    }
}

static void put_u32(struct card *c, uint32_t v)
{
    for (int shift = 24; shift >= 0; shift -= 8) {
        card_put(c, (uint8_t)(v >> shift));
    }
}

/* A data token, the data and its CRC-16. */
void card_put_block(struct card *c, const uint8_t *data, uint32_t size, bool bad_crc)
{
    uint16_t crc = crc16_xmodem(data, size);
    if (bad_crc) {
        crc ^= 0x0001u;
    }
    card_put(c, 0xFE);
    for (uint32_t i = 0; i < size; i++) {
        card_put(c, data[i]);
    }
    card_put(c, (uint8_t)(crc >> 8));
    card_put(c, (uint8_t)crc);
}

/* R1 after its NCR bytes. */
static void r1(struct card *c, uint32_t flags)
{
    for (uint32_t i = 0; i < c->cfg.ncr_bytes; i++) {
        card_put(c, 0xFF);
    }
    card_put(c, (uint8_t)(flags | (c->idle ? R1_IDLE : 0u)));
}

static void illegal(struct card *c)
{
    c->stats.illegal++;
    r1(c, R1_ILLEGAL);
}

static void go_idle(bench_t *b)
{
    struct card *c = &b->card;
    c->stats.cmd0_count++;
    if (c->cmd0_left_to_ignore > 0) {
        c->cmd0_left_to_ignore--;
        return;
    }
    if (!c->spi_mode && c->cfg.needs_74_clocks && c->clocks < 74u) {
        c->stats.early_cmd0++;
        return;
    }
    card_clear_out(c);
    c->spi_mode = c->idle = true;
    c->ready = c->crc_on = c->read_multi = c->read_pending = false;
    c->write_state = WRITE_NONE;
    c->acmd41_first = 0;
    for (uint32_t i = 0; i < c->cfg.garbage_bytes; i++) {
        card_put(c, (uint8_t)(noise_next(&c->noise) | 0x80u));   /* bit 7 set: no R1 looks like this */
    }
    r1(c, 0);
}

static void initialise(bench_t *b, uint32_t argument)
{
    struct card *c = &b->card;
    uint64_t now = b->avr->cycle;
    if (c->acmd41_first == 0) {
        c->acmd41_first = now ? now : 1u;
    }
    bool hcs = ((argument >> 30) & 1u) != 0;
    if (now - c->acmd41_first >= c->cfg.acmd41_cycles && (hcs || !c->cfg.high_capacity)) {
        c->idle = false;
        if (!c->ready) {
            c->ready = true;
            c->stats.init_done_cycle = now;
        }
    }
    r1(c, 0);
}

static void put_register(struct card *c, uint32_t index)
{
    uint8_t data[16];
    memset(data, 0, sizeof data);
    if (index == 9u && c->cfg.high_capacity) {   /* CSD version 2: C_SIZE counts 512 KiB */
        uint32_t size = c->sectors / 1024u ? c->sectors / 1024u - 1u : 0u;
        data[0] = 0x40;
        data[5] = 0x59;
        data[7] = (uint8_t)(size >> 16);
        data[8] = (uint8_t)(size >> 8);
        data[9] = (uint8_t)size;
    } else if (index == 9u) {   /* CSD version 1: (C_SIZE + 1) << (C_SIZE_MULT + 2) blocks of 512 */
        uint32_t size = c->sectors / 512u ? c->sectors / 512u - 1u : 0u;
        data[5] = 0x59;
        data[6] = (uint8_t)(size >> 10);
        data[7] = (uint8_t)(size >> 2);
        data[8] = (uint8_t)(size << 6);
        data[9] = 0x03;
        data[10] = 0x80;   /* C_SIZE_MULT 7 */
    } else {
        memcpy(data, "\x7E" "ZZBENCH\x10\x00\x00\x00\x01\x01\x51", 15);
    }
    data[15] = (uint8_t)((crc7_mmc(data, 15) << 1) | 1u);
    r1(c, 0);
    card_put(c, 0xFF);
    card_put_block(c, data, 16, false);
}

/* The block an argument addresses; false after an error response. */
static bool block_of(struct card *c, uint32_t argument, uint32_t *lba)
{
    if (!c->cfg.high_capacity && argument % SECTOR != 0) {
        r1(c, R1_ADDRESS);
        return false;
    }
    *lba = c->cfg.high_capacity ? argument : argument / SECTOR;
    if (*lba >= c->sectors) {
        r1(c, R1_PARAMETER);
        return false;
    }
    return true;
}

static void start_read(bench_t *b, uint32_t argument, bool multi)
{
    struct card *c = &b->card;
    if (block_of(c, argument, &c->read_lba)) {
        r1(c, 0);
        c->read_multi = multi;
        c->read_pending = true;
        c->read_ready = b->avr->cycle + card_read_time(c);
    }
}

static void start_write(struct card *c, uint32_t argument, bool multi)
{
    if (block_of(c, argument, &c->write_lba)) {
        r1(c, 0);
        c->write_multi = multi;
        c->write_state = WRITE_TOKEN;
    }
}

static void stop_transmission(bench_t *b)
{
    struct card *c = &b->card;
    bool writing = c->write_state != WRITE_NONE;
    c->read_multi = c->read_pending = false;
    c->write_state = WRITE_NONE;
    card_clear_out(c);
    card_put(c, 0x7F);   /* the stuff byte: whatever was on its way */
    r1(c, 0);
    if (writing) {
        c->busy_until = b->avr->cycle + c->cfg.stop_busy_cycles;
    }
}

static void block_length(struct card *c, uint32_t argument)
{
    r1(c, argument == SECTOR || c->cfg.high_capacity ? 0u : (uint32_t)R1_PARAMETER);
}

static void interface_condition(struct card *c, uint32_t argument)
{
    if (c->cfg.version < 2u) {
        illegal(c);
        return;
    }
    r1(c, 0);
    put_u32(c, argument & 0x1FFu);
}

static void operating_conditions(struct card *c)
{
    r1(c, 0);
    put_u32(c, 0x00FF8000u | (c->ready ? 0x80000000u : 0u) |
                   (c->ready && c->cfg.high_capacity ? 0x40000000u : 0u));
}

static void status(struct card *c, bool app)
{
    r1(c, 0);
    card_put(c, 0);
    if (app) {
        uint8_t data[64];
        memset(data, 0, sizeof data);
        card_put_block(c, data, sizeof data, false);
    }
}

static void app_command(bench_t *b, uint32_t index, uint32_t argument)
{
    struct card *c = &b->card;
    if (index == 41u) {
        initialise(b, argument);
    } else if (index == 23u && c->ready) {
        r1(c, 0);
    } else if (index == 13u && c->ready) {
        status(c, true);
    } else {
        illegal(c);
    }
}

static void ready_command(bench_t *b, uint32_t index, uint32_t argument)
{
    struct card *c = &b->card;
    switch (index) {
    case 9: case 10: put_register(c, index); break;
    case 12: stop_transmission(b); break;
    case 13: status(c, false); break;
    case 16: block_length(c, argument); break;
    case 17: start_read(b, argument, false); break;
    case 18: start_read(b, argument, true); break;
    case 24: start_write(c, argument, false); break;
    case 25:
        if (c->cfg.single_only) {
            illegal(c);
        } else {
            start_write(c, argument, true);
        }
        break;
    default: illegal(c); break;
    }
}

/* Between the blocks of a write only these are commands. */
static bool allowed_now(const struct card *c, uint32_t index)
{
    return c->write_state == WRITE_NONE || index == 0u || index == 12u || index == 13u;
}

/* Carries out the six bytes that have come in. */
void card_command(bench_t *b)
{
    struct card *c = &b->card;
    uint32_t index = c->cmd[0] & 0x3Fu;
    uint32_t argument = ((uint32_t)c->cmd[1] << 24) | ((uint32_t)c->cmd[2] << 16) | ((uint32_t)c->cmd[3] << 8) |
                        c->cmd[4];
    bool crc_wrong = c->cmd[5] != (uint8_t)((crc7_mmc(c->cmd, 5) << 1) | 1u);
    bool app = c->app;
    c->app = false;
    c->stats.commands++;
    c->stats.crc7_wrong += crc_wrong ? 1u : 0u;
    log_event(&c->commands, b->avr->cycle, index + (app ? (uint32_t)ACMD : 0u), argument);
    if (!c->spi_mode && (index != 0u || crc_wrong)) {
        return;   /* still in SD mode: deaf to everything but a sound CMD0 */
    }
    if (index != 12u && index != 13u) {
        card_clear_out(c);
        c->read_multi = c->read_pending = false;
    }
    if (crc_wrong && (c->crc_on || index == 0u || index == 8u)) {
        r1(c, R1_CRC);
    } else if (!allowed_now(c, index)) {
        illegal(c);
    } else if (app) {
        app_command(b, index, argument);
    } else if (index == 0u) {
        go_idle(b);
    } else if (index == 8u) {
        interface_condition(c, argument);
    } else if (index == 55u) {
        c->app = true;
        r1(c, 0);
    } else if (index == 58u) {
        operating_conditions(c);
    } else if (index == 59u) {
        c->crc_on = (argument & 1u) != 0;
        r1(c, 0);
    } else if (c->ready) {
        ready_command(b, index, argument);
    } else {
        illegal(c);
    }
}
