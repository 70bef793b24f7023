#include "fuzz_card.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "ot_crc.h"

#define CHANGES_MAX 512u
#define ANSWER_MAX 600u
#define R1_OK 0x00u
#define R1_IDLE 0x01u
#define TOKEN_SINGLE 0xfeu
#define TOKEN_MULTI 0xfcu
#define TOKEN_STOP 0xfdu
#define DATA_ACCEPTED 0xe5u
#define DATA_CRC_WRONG 0xebu

static struct {
    const fuzz_base *base;
    bool (*may_write)(uint32_t sector);
    uint32_t reads;
    uint32_t reads_max;
    uint32_t change_count;
    uint32_t write_sector;
    uint16_t answer_at;
    uint16_t answer_size;
    uint16_t data_at; /* bytes of the block that is being written; 0: no block under way */
    uint8_t command_at;
    bool writing; /* a multi-block write is open */
    bool application;
    uint8_t command[6];
    uint8_t answer[ANSWER_MAX];
    uint8_t data[FUZZ_SECTOR + 2u];
} card;

static fuzz_sector changes[CHANGES_MAX];

void fuzz_fail(const char *what)
{
    fprintf(stderr, "FUZZ FINDING: %s\n", what);
    abort();
}

void fuzz_card_insert(const fuzz_base *base, uint32_t reads)
{
    memset(&card, 0, sizeof card);
    card.base = base;
    card.reads_max = reads;
}

void fuzz_card_allow(bool (*may_write)(uint32_t sector)) { card.may_write = may_write; }

uint32_t fuzz_card_reads(void) { return card.reads; }

void fuzz_card_look(uint32_t sector, uint8_t *bytes)
{
    const fuzz_base *base = card.base;
    for (uint32_t i = 0; i < card.change_count; i++) {
        if (changes[i].sector == sector) {
            memcpy(bytes, changes[i].bytes, FUZZ_SECTOR);
            return;
        }
    }
    memset(bytes, 0, FUZZ_SECTOR);
    for (uint32_t i = 0; i < base->stretch_count; i++) {
        if (sector >= base->stretches[i].sector && sector - base->stretches[i].sector < base->stretches[i].count) {
            memset(bytes, base->stretches[i].byte, FUZZ_SECTOR);
        }
    }
    for (uint32_t i = 0; i < base->sector_count; i++) {
        if (base->sectors[i].sector == sector) {
            memcpy(bytes, base->sectors[i].bytes, FUZZ_SECTOR);
        }
    }
}

uint8_t *fuzz_card_change(uint32_t sector)
{
    for (uint32_t i = 0; i < card.change_count; i++) {
        if (changes[i].sector == sector) {
            return changes[i].bytes;
        }
    }
    if (card.change_count == CHANGES_MAX) {
        return 0;
    }
    fuzz_sector *change = &changes[card.change_count];
    fuzz_card_look(sector, change->bytes);
    change->sector = sector;
    card.change_count++;
    return change->bytes;
}

static void say(uint8_t byte) { card.answer[card.answer_size++] = byte; }

static void say_sector(uint32_t sector)
{
    uint16_t crc = OT_CRC16_CARD_START;
    if (sector >= card.base->card_sectors || (card.reads_max != 0u && card.reads >= card.reads_max)) {
        say(0x20); /* address error */
        return;
    }
    card.reads++;
    say(R1_OK);
    say(0xff);
    say(TOKEN_SINGLE);
    fuzz_card_look(sector, &card.answer[card.answer_size]);
    for (uint16_t i = 0; i < FUZZ_SECTOR; i++) {
        crc = ot_crc16_add(crc, card.answer[card.answer_size + i]);
    }
    card.answer_size = (uint16_t)(card.answer_size + FUZZ_SECTOR);
    say((uint8_t)(crc >> 8));
    say((uint8_t)crc);
}

static void say_number(uint32_t number)
{
    for (uint8_t shift = 32; shift != 0u; shift = (uint8_t)(shift - 8u)) {
        say((uint8_t)(number >> (shift - 8u)));
    }
}

static void obey(void)
{
    uint32_t argument = (uint32_t)card.command[1] << 24 | (uint32_t)card.command[2] << 16 |
                        (uint32_t)card.command[3] << 8 | (uint32_t)card.command[4];
    say(0xff);
    switch (card.command[0] & 0x3fu) {
    case 0:
        card.writing = false;
        say(R1_IDLE);
        break;
    case 8:
        say(R1_IDLE);
        say_number(0x1aau);
        break;
    case 17:
        say_sector(argument);
        break;
    case 25:
        card.writing = true;
        card.write_sector = argument;
        say(R1_OK);
        break;
    case 58:
        say(R1_OK);
        say_number(0xc0ff8000ul); /* high capacity */
        break;
    default:
        say(R1_OK);
        break;
    }
}

static void take_block(void)
{
    uint16_t crc = OT_CRC16_CARD_START;
    for (uint16_t i = 0; i < FUZZ_SECTOR; i++) {
        crc = ot_crc16_add(crc, card.data[i]);
    }
    if (card.data[FUZZ_SECTOR] != (uint8_t)(crc >> 8) || card.data[FUZZ_SECTOR + 1u] != (uint8_t)crc) {
        say(DATA_CRC_WRONG);
        return;
    }
    if (card.may_write != 0 && !card.may_write(card.write_sector)) {
        fuzz_fail("a write outside the journal");
    }
    uint8_t *bytes = fuzz_card_change(card.write_sector);
    if (bytes != 0) {
        memcpy(bytes, card.data, FUZZ_SECTOR);
    }
    card.write_sector++;
    say(DATA_ACCEPTED);
    say(0x00); /* busy for one byte */
}

static void take_written(uint8_t out)
{
    if (card.data_at == 0u) {
        if (out == TOKEN_MULTI) {
            card.data_at = 1;
        } else if (out == TOKEN_STOP) {
            card.writing = false;
            say(0xff);
            say(0x00);
        }
        return;
    }
    card.data[card.data_at - 1u] = out;
    card.data_at++;
    if (card.data_at > sizeof card.data) {
        card.data_at = 0;
        take_block();
    }
}

uint8_t fuzz_card_exchange(uint8_t out)
{
    if (card.answer_at < card.answer_size) {
        return card.answer[card.answer_at++];
    }
    card.answer_at = 0;
    card.answer_size = 0;
    if (card.writing && card.command_at == 0u && (card.data_at != 0u || (out & 0xc0u) != 0x40u)) {
        take_written(out);
    } else if (card.command_at != 0u || (out & 0xc0u) == 0x40u) {
        card.command[card.command_at++] = out;
        if (card.command_at == sizeof card.command) {
            card.command_at = 0;
            obey();
        }
    }
    return 0xff;
}

void fuzz_card_select(uint8_t on)
{
    card.command_at = 0;
    if (on == 0u) {
        card.writing = false;
        card.data_at = 0;
    }
}
