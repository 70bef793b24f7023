/* The desk: any bytes, any packets. It must come back to answer a well-formed request and to leave, answer in packets
 * only, and write nothing but the journal's header while it is there.
 *
 * Input: which base card, then what the computer says: 0 some bytes as they are; 1 a packet of any kind and fields;
 * 2 a `header` packet with settings of the input's; 3 a pause, from 128 on until the logger is quiet. */
#include <stddef.h>
#include <stdint.h>
#include <string.h>

#include "fuzz_board.h"
#include "fuzz_card.h"
#include "ot_bytes.h"
#include "ot_crc.h"
#include "ot_logger.h"
#include "ot_record.h"
#include "ot_spec.h"

#define PACKET_MAX 600u
#define LAST_SEQUENCE 0xa5u
#define LOOKS_MAX 4000000ul

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

static const fuzz_base *base;

static void say(uint8_t kind, uint8_t sequence, const uint8_t *fields, uint16_t count)
{
    uint8_t body[PACKET_MAX];
    body[0] = kind;
    body[1] = sequence;
    for (uint16_t i = 0; i < count; i++) {
        body[2u + i] = fields[i];
    }
    fuzz_line_packet(body, (uint16_t)(count + 2u));
}

static void say_greet(uint8_t sequence)
{
    ot_packet_greet greet = {OT_LINK_VERSION};
    uint8_t fields[OT_PACKET_GREET_SIZE];
    (void)ot_record_encode(&ot_packet_greet_layout, &greet, fields);
    say(OT_PACKET_GREET, sequence, fields, sizeof fields);
}

/* A header block that is right in itself, with settings of the input's where that gives some. */
static void say_header(uint8_t sequence, const uint8_t *settings, uint16_t count)
{
    uint8_t block[OT_BLOCK_SIZE];
    uint32_t crc = OT_CRC32_START;
    fuzz_card_look(base->journal[0], block);
    memcpy(&block[8], settings, count);
    for (uint16_t i = 0; i < sizeof block - OT_BLOCK_CHECK_SIZE; i++) {
        crc = ot_crc32_add(crc, block[i]);
    }
    ot_put_u32(&block[sizeof block - OT_BLOCK_CHECK_SIZE], (uint32_t)~crc);
    say(OT_PACKET_HEADER, sequence, block, sizeof block);
}

static void say_input(const uint8_t *data, size_t size)
{
    size_t at = 0;
    while (size - at >= 4u) {
        uint8_t op = data[at] & 3u;
        uint8_t kind = data[at + 1u];
        uint8_t sequence = data[at + 2u];
        uint16_t count = data[at + 3u];
        at += 4u;
        count = count < size - at ? count : (uint16_t)(size - at);
        if (op == 0u) {
            for (uint16_t i = 0; i < count; i++) {
                fuzz_line_byte(data[at + i]);
            }
        } else if (op == 1u) {
            say(kind, sequence, &data[at], count);
        } else if (op == 2u) {
            say_header(sequence, &data[at], count < 23u ? count : 23u);
        } else {
            count = 0;
            if (kind >= 128u) {
                fuzz_line_hold();
            } else {
                fuzz_line_pause(kind * 10u);
            }
        }
        at += count;
    }
}

/* The next packet that the logger sent, without its check; 0 at the end. */
static uint16_t next_answer(uint32_t *at, uint8_t *body)
{
    while (*at < fuzz_sent_count && fuzz_sent[*at] == 0u) {
        (*at)++;
    }
    uint16_t size = 0;
    while (*at < fuzz_sent_count && fuzz_sent[*at] != 0u) {
        uint8_t code = fuzz_sent[(*at)++];
        for (uint8_t i = 1; i < code; i++) {
            if (*at == fuzz_sent_count || fuzz_sent[*at] == 0u || size >= PACKET_MAX - 1u) {
                fuzz_fail("the logger sends what is no packet");
            }
            body[size++] = fuzz_sent[(*at)++];
        }
        if (code != 0xffu && *at < fuzz_sent_count && fuzz_sent[*at] != 0u) {
            body[size++] = 0;
        }
    }
    if (size == 0u) {
        return 0;
    }
    uint16_t crc = OT_CRC16_PACKET_START;
    for (uint16_t i = 0; i + 2u < size; i++) {
        crc = ot_crc16_add(crc, body[i]);
    }
    if (size < 4u || ot_get_u16(&body[size - 2u]) != crc) {
        fuzz_fail("the logger sends a packet whose check is wrong");
    }
    return (uint16_t)(size - 2u);
}

static bool has_left(void)
{
    uint8_t body[PACKET_MAX];
    uint32_t at = 0;
    while (next_answer(&at, body) != 0u) {
        if (body[0] == OT_PACKET_LEAVING) {
            return true;
        }
    }
    return false;
}

/* At the desk the header alone, later the journal's blocks. */
static bool may_write(uint32_t sector)
{
    if (sector == base->journal[0]) {
        return !has_left();
    }
    for (uint32_t i = 1; i < base->journal_blocks; i++) {
        if (base->journal[i] == sector) {
            return has_left();
        }
    }
    return false;
}

static void judge(void)
{
    uint8_t body[PACKET_MAX];
    uint32_t at = 0;
    bool described = false;
    bool left = false;
    if (fuzz_sent_count == FUZZ_SENT_MAX) {
        return; /* more than is kept: nothing to be said about the end */
    }
    while (next_answer(&at, body) != 0u) {
        described = described || (body[0] == OT_PACKET_DESCRIPTION && body[1] == LAST_SEQUENCE);
        left = left || body[0] == OT_PACKET_LEAVING;
    }
    if (!described && !left) {
        fuzz_fail("a well-formed request has no answer");
    }
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    if (size < 1u || size > 1500u) {
        return 0;
    }
    base = &fuzz_bases[data[0] % fuzz_base_count];
    fuzz_card_insert(base, 0);
    fuzz_card_allow(may_write);
    fuzz_line_clear();
    fuzz_line_pause(20);
    say_greet(1);
    fuzz_line_hold(); /* until it has looked at its card */
    say_input(&data[1], size - 1u);
    /* Whatever came before, the logger must be here again by now, at the first speed. */
    fuzz_line_hold();
    say(OT_PACKET_DESCRIBE, LAST_SEQUENCE, 0, 0);
    fuzz_line_hold();
    say(OT_PACKET_LEAVE, LAST_SEQUENCE, 0, 0);
    fuzz_board_run(OT_RESET_CAUSE_EXTERNAL, 1500, LOOKS_MAX);
    judge();
    return 0;
}
