#include "ot_desk.h"

#include <stdbool.h>
#include <string.h>

#include "ot_board.h"
#include "ot_bytes.h"
#include "ot_card.h"
#include "ot_compiler.h"
#include "ot_crc.h"
#include "ot_light.h"
#include "ot_logger.h"
#include "ot_memory.h"
#include "ot_port.h"
#include "ot_ring.h"
#include "ot_spec.h"
#include "ot_time.h"

#define SECTOR_NONE 0xfffffffful
#define FIELDS_MAX 24u /* longest request but `header`, which is not copied */
#define PACKET_MAX (2u + OT_BLOCK_SIZE + 2u + 3u) /* the longest request, `header`, and its coding's own bytes */
#define PACKET_OVERHEAD 4u /* kind, sequence, CRC-16 */
#define DATA_HEAD (2u + OT_PACKET_DATA_SIZE) /* of a `data` packet, in front of the chunk */
#define SMALL_MAX (OT_BLOCK_SIZE / 2u) /* the largest chunk that is less than a sector */
#define ANSWER_MAX (2u + OT_PACKET_DESCRIPTION_SIZE + 2u) /* the longest answer, data apart */

/* A sector on its way from the card. */
typedef enum {
    NOT_ASKED,
    AWAITED, /* asked for; its data has not begun */
    COMING,
} sector_way;

/* Lives at the beginning of the ring's memory, so that it costs a recording logger nothing. */
struct desk_state {
    uint32_t sector;       /* position in the file of what it holds */
    uint16_t scanned;      /* ring position up to which no end of a packet was seen */
    uint8_t state;         /* ot_card_state */
    uint8_t kind;
    uint8_t sequence;
    uint8_t fields[FIELDS_MAX];
    uint16_t field_count; /* bytes between sequence and CRC, also when more than `fields` holds */
    uint16_t begin;       /* ring positions of the packet at hand */
    uint16_t end;
    uint16_t at;   /* where undoing the packet's COBS coding stands */
    uint8_t run;   /* bytes left of the run there */
    bool zero_due; /* a zero follows the run, unless it ends the packet */
    bool bad;      /* a run reached past the packet's end */
    bool left;
    uint8_t way;         /* sector_way of the sector `ahead` */
    uint32_t ahead;      /* position in the file */
    uint16_t filled;     /* bytes of it that have come */
    uint16_t sector_crc; /* over them, as the card counts it */
    uint8_t small[DATA_HEAD + SMALL_MAX + 2u]; /* a `data` packet of less than a sector */
    /* That of a whole sector, the sector in its place; last, since the rest is reached in one step then. */
    uint8_t packet[DATA_HEAD + OT_BLOCK_SIZE + 2u];
};

/* What is left of the memory is the desk's ring. */
#define DESK_RING_BYTES (OT_SHELF_BYTES + OT_RING_BYTES - OT_DESK_STACK_BYTES - sizeof(struct desk_state))
typedef char ot_assert_desk_ring[OT_SHELF_BYTES + OT_RING_BYTES > OT_DESK_STACK_BYTES + sizeof(struct desk_state) + PACKET_MAX ? 1 : -1];

#define desk (*(struct desk_state *)(void *)&ot_the_memory)
#define sector_bytes (&desk.packet[DATA_HEAD])
#define SECTOR_END (&desk.packet[DATA_HEAD + OT_BLOCK_SIZE])

/* Begin to undo the COBS coding of the packet between desk.begin and desk.end. */
static void unstuff_start(void)
{
    desk.at = desk.begin;
    desk.run = 0;
    desk.zero_due = false;
    desk.bad = false;
}

static bool unstuff(uint8_t *byte)
{
    while (desk.run == 0u) {
        if (desk.at == desk.end) {
            return false;
        }
        if (desk.zero_due) {
            desk.zero_due = false;
            *byte = 0;
            return true;
        }
        uint8_t code = *ot_ring_at(desk.at++);
        desk.run = (uint8_t)(code - 1u);
        desk.zero_due = code != 0xffu;
        if ((uint16_t)(desk.end - desk.at) < desk.run) {
            desk.bad = true;
            return false;
        }
    }
    desk.run--;
    *byte = *ot_ring_at(desk.at++);
    return true;
}

/* Take the packet between desk.begin and desk.end apart; true when its check is right. */
static bool open_packet(void)
{
    uint8_t byte;
    uint8_t late[2] = {0, 0};
    uint16_t crc = OT_CRC16_PACKET_START;
    uint16_t count = 0;
    unstuff_start();
    while (unstuff(&byte)) {
        if (count >= 2u) {
            crc = ot_crc16_add(crc, late[0]);
            uint16_t at = (uint16_t)(count - 2u);
            if (at == 0u) {
                desk.kind = late[0];
            } else if (at == 1u) {
                desk.sequence = late[0];
            } else if (at - 2u < FIELDS_MAX) {
                desk.fields[at - 2u] = late[0];
            }
        }
        late[0] = late[1];
        late[1] = byte;
        count++;
    }
    desk.field_count = (uint16_t)(count - PACKET_OVERHEAD);
    return !desk.bad && count >= PACKET_OVERHEAD && ot_get_u16(late) == crc;
}

/* Look for a whole packet in the ring. The packet before it is released, so `desk` describes one at a time. */
static bool next_packet(void)
{
    for (;;) {
        uint16_t in = ot_ring_in();
        if (desk.scanned == in) {
            if ((uint16_t)(in - ot_ring.out) > PACKET_MAX) {
                ot_ring_release(in, ot_ring.mark_in, ot_ring.loss_in); /* noise without an end: what follows needs room */
            }
            return false;
        }
        if (*ot_ring_at(desk.scanned) != 0u) {
            desk.scanned++;
            continue;
        }
        desk.begin = ot_ring.out;
        desk.end = desk.scanned++;
        if (desk.begin != desk.end && open_packet()) {
            return true;
        }
        ot_ring_release(desk.scanned, ot_ring.mark_in, ot_ring.loss_in);
    }
}

static void release_packet(void) { ot_ring_release(desk.scanned, ot_ring.mark_in, ot_ring.loss_in); }

static uint8_t way_after(uint8_t token)
{
    if (token == OT_CARD_TOKEN_NONE) {
        return AWAITED;
    }
    return token == OT_CARD_TOKEN_DATA ? COMING : NOT_ASKED;
}

/* Begin to read block `position` of the file; it takes the place of the sector at hand. */
static OT_NOINLINE void ask_sector(uint32_t position)
{
    desk.sector = SECTOR_NONE;
    desk.ahead = position;
    desk.filled = 0;
    desk.sector_crc = OT_CRC16_CARD_START;
    desk.way = ot_card_read_ask(ot_fat_sector(&ot_the_journal.file, position)) ? AWAITED : NOT_ASKED;
}

/* Send the packet from `at` to `end`, where its CRC goes, COBS-coded between two zero bytes. While the line has no room for
 * a byte, one of the sector that is on its way is read into the place of one that has been sent, so that the card costs
 * the line no time. */
static OT_NOINLINE void send(const uint8_t *at, uint8_t *end, uint16_t check)
{
    uint8_t way = desk.way; /* in registers: a byte sent and a byte read have 160 cycles at the fastest */
    uint8_t *fill = &sector_bytes[desk.filled];
    uint16_t crc = desk.sector_crc;
    const uint8_t *stop = at; /* the end of a run without zeros, whose code has been sent */
    uint8_t code = 0xff;
    ot_put_u16(end, check);
    end += 2;
    ot_port_serial_send(0);
    for (;;) {
        if (!ot_port_serial_ready()) {
            if (way == COMING) {
                if (fill < at && fill != SECTOR_END) {
                    *fill++ = ot_card_read_next(&crc);
                }
            } else if (way == AWAITED) {
                way = way_after(ot_card_read_token());
            }
        } else if (at != stop) {
            ot_port_serial_send(*at++);
        } else if (at == end) {
            break;
        } else {
            if (code != 0xffu) {
                at++; /* the zero that the code stands for */
            }
            stop = at;
            code = 1;
            while (code != 0xffu && stop != end && *stop != 0u) {
                stop++;
                code++;
            }
            ot_port_serial_send(code);
        }
    }
    ot_port_serial_send(0);
    desk.way = way;
    desk.filled = (uint16_t)(fill - sector_bytes);
    desk.sector_crc = crc;
}

static uint16_t crc_over(uint16_t crc, const uint8_t *at, const uint8_t *end)
{
    while (at != end) {
        crc = ot_crc16_add(crc, *at++);
    }
    return crc;
}

/* Write kind, sequence and fields; returns their end. */
static uint8_t *put_head(uint8_t *at, uint8_t kind, const ot_layout *layout, const void *record)
{
    at[0] = kind;
    at[1] = desk.sequence;
    return &at[2u + ot_record_encode(layout, record, &at[2])];
}

static void reply(uint8_t kind, const ot_layout *layout, const void *record)
{
    uint8_t bytes[ANSWER_MAX];
    uint8_t *end = put_head(bytes, kind, layout, record);
    send(bytes, end, crc_over(OT_CRC16_PACKET_START, bytes, end));
}

static void refuse(uint8_t reason)
{
    ot_packet_refused refused = {desk.kind, reason};
    reply(OT_PACKET_REFUSED, &ot_packet_refused_layout, &refused);
}

/* The request's fields, or a refusal. */
static bool fields_are(const ot_layout *layout, uint8_t size, void *record)
{
    if (desk.field_count == size && ot_record_decode(layout, desk.fields, desk.field_count, record) == OT_OK) {
        return true;
    }
    refuse(OT_REFUSAL_BAD_REQUEST);
    return false;
}

static bool knows_journal(void)
{
    return desk.state == OT_CARD_STATE_READY || desk.state == OT_CARD_STATE_FULL || desk.state == OT_CARD_STATE_DAMAGED;
}

static bool has_journal(void)
{
    if (knows_journal()) {
        return true;
    }
    refuse(OT_REFUSAL_NO_JOURNAL);
    return false;
}

static void mount(void)
{
    desk.sector = SECTOR_NONE;
    desk.way = NOT_ASKED;
    desk.state = ot_logger_mount(ot_light_poll);
}

static OT_NOINLINE void on_greet(void)
{
    ot_packet_greet greet;
    if (!fields_are(&ot_packet_greet_layout, OT_PACKET_GREET_SIZE, &greet)) {
        return;
    }
    ot_packet_greeting greeting; /* an initialiser would lie in RAM */
    greeting.version = OT_LINK_VERSION;
    greeting.chunk_max = OT_LINK_CHUNK_MAX;
    greeting.baud_max = OT_LINK_BAUD_FASTEST;
    reply(OT_PACKET_GREETING, &ot_packet_greeting_layout, &greeting);
}

static OT_NOINLINE void on_describe(void)
{
    ot_packet_description d;
    memset(&d, 0, sizeof d);
    d.firmware_major = OT_FIRMWARE_MAJOR;
    d.firmware_minor = OT_FIRMWARE_MINOR;
    d.firmware_patch = OT_FIRMWARE_PATCH;
    d.board = ot_port_board_code();
    d.spec_hash = OT_SPEC_HASH;
    d.card_state = desk.state;
    ot_port_supply_start();
    while (!ot_port_supply_ready(&d.supply_mv)) {
    }
    if (knows_journal()) {
        d.journal_id = ot_the_journal.settings.journal_id;
        d.journal_blocks = ot_the_journal.settings.blocks;
        d.next_block = ot_the_journal.number + (desk.state == OT_CARD_STATE_FULL ? 1u : 0u);
        d.last_run = ot_the_journal.last_run;
    }
    reply(OT_PACKET_DESCRIPTION, &ot_packet_description_layout, &d);
}

/* Have block `position` of the file in sector_bytes. */
static OT_NOINLINE bool load_sector(uint32_t position)
{
    for (uint8_t attempt = 0; attempt < 3u && desk.sector != position; attempt++) {
        if (desk.way == NOT_ASKED || desk.ahead != position) {
            ask_sector(position);
        }
        uint32_t since = ot_port_tick();
        while (desk.way == AWAITED && !ot_time_passed(since, OT_CARD_READ_MS)) {
            desk.way = way_after(ot_card_read_token());
        }
        if (desk.way == COMING) {
            while (desk.filled != OT_BLOCK_SIZE) {
                sector_bytes[desk.filled++] = ot_card_read_next(&desk.sector_crc);
            }
            if (ot_card_read_end(desk.sector_crc)) {
                desk.sector = position;
            }
        }
        desk.way = NOT_ASKED;
    }
    return desk.sector == position;
}

/* Send a stretch of the sector at hand; of a whole one, the next takes the place as it goes out, when `more` are to come. */
static OT_NOINLINE void send_data(const ot_packet_data *data, uint16_t chunk, bool more)
{
    bool whole = chunk == OT_BLOCK_SIZE;
    uint8_t *packet = whole ? desk.packet : desk.small;
    uint8_t *bytes = put_head(packet, OT_PACKET_DATA, &ot_packet_data_layout, data);
    uint16_t crc = crc_over(OT_CRC16_PACKET_START, packet, bytes);
    if (whole) {
        crc = ot_crc16_over_block(crc, desk.sector_crc);
    } else {
        memcpy(bytes, &sector_bytes[data->offset % OT_BLOCK_SIZE], chunk);
        crc = crc_over(crc, bytes, &bytes[chunk]);
    }
    if (whole && more) {
        ask_sector(data->offset / OT_BLOCK_SIZE + 1u);
    }
    send(packet, &bytes[chunk], crc);
}

static OT_NOINLINE void on_read(void)
{
    ot_packet_read r;
    if (!fields_are(&ot_packet_read_layout, OT_PACKET_READ_SIZE, &r) || !has_journal()) {
        return;
    }
    if (r.chunk < 32u || r.chunk > OT_LINK_CHUNK_MAX || (r.chunk & (r.chunk - 1u)) != 0u ||
        ((r.offset | r.length) & (r.chunk - 1u)) != 0u) {
        refuse(OT_REFUSAL_BAD_REQUEST);
        return;
    }
    uint32_t end = r.offset + r.length;
    if (end < r.offset || (end != 0u && (end - 1u) / OT_BLOCK_SIZE >= ot_the_journal.settings.blocks)) {
        refuse(OT_REFUSAL_PAST_END);
        return;
    }
    for (; r.offset != end; r.offset += r.chunk) {
        if (!load_sector(r.offset / OT_BLOCK_SIZE)) {
            refuse(OT_REFUSAL_CARD_FAILED);
            return;
        }
        ot_packet_data data = {r.offset};
        send_data(&data, r.chunk, r.offset + r.chunk != end);
        ot_light_poll();
    }
    ot_packet_done done = {r.offset};
    reply(OT_PACKET_DONE, &ot_packet_done_layout, &done);
}

static OT_NOINLINE void on_speed(void)
{
    ot_packet_speed speed;
    release_packet(); /* its fields are copied; the trial below looks for the next one */
    if (!fields_are(&ot_packet_speed_layout, OT_PACKET_SPEED_SIZE, &speed)) {
        return;
    }
    if (speed.baud < 9600u || speed.baud > OT_LINK_BAUD_FASTEST) {
        refuse(OT_REFUSAL_BAD_REQUEST);
        return;
    }
    ot_packet_speed_set set = {speed.baud};
    reply(OT_PACKET_SPEED_SET, &ot_packet_speed_set_layout, &set);
    ot_port_serial_drain();
    ot_port_serial_start(speed.baud, true);
    desk.scanned = ot_ring_in(); /* what came at the old speed says nothing of the new one */
    release_packet();
    uint32_t since = ot_port_tick();
    while (!ot_time_passed(since, OT_LINK_BAUD_TRIAL_MS)) {
        if (next_packet()) {
            /* Heard: the main loop takes it from here, as it comes. */
            desk.scanned = desk.begin;
            return;
        }
    }
    ot_port_serial_start(OT_DESK_BAUD, true);
}

/* Skip kind and sequence of the `header` packet: its next 512 bytes are the block. */
static void header_start(void)
{
    uint8_t byte;
    unstuff_start();
    (void)unstuff(&byte);
    (void)unstuff(&byte);
}

static uint8_t header_byte(void)
{
    uint8_t byte = 0;
    (void)unstuff(&byte);
    return byte;
}

static OT_NOINLINE bool header_is_right(void)
{
    ot_head_journal_header header;
    header_start();
    return ot_journal_take_header(header_byte, &header) == OT_OK && header.blocks == ot_the_journal.settings.blocks;
}

static void put_header(void)
{
    header_start();
    for (uint16_t i = 0; i < OT_BLOCK_SIZE; i++) {
        uint8_t byte = header_byte();
        ot_card_put(&byte, 1);
    }
}

static OT_NOINLINE void on_header(void)
{
    if (!has_journal()) {
        return;
    }
    if (desk.field_count != OT_BLOCK_SIZE || !header_is_right()) {
        refuse(OT_REFUSAL_BAD_HEADER);
        return;
    }
    ot_card_answer taken = ot_card_write(ot_fat_sector(&ot_the_journal.file, 0), put_header);
    ot_card_finish();
    mount();
    if (taken != OT_CARD_ACCEPTED || !has_journal()) {
        refuse(OT_REFUSAL_CARD_FAILED);
        return;
    }
    ot_packet_header_written written = {ot_the_journal.settings.journal_id};
    reply(OT_PACKET_HEADER_WRITTEN, &ot_packet_header_written_layout, &written);
}

static OT_NOINLINE void on_leave(void)
{
    reply(OT_PACKET_LEAVING, &ot_packet_leaving_layout, 0);
    ot_port_serial_drain();
    desk.left = true;
}

static void serve(void)
{
    switch (desk.kind) {
    case OT_PACKET_GREET:
        on_greet();
        break;
    case OT_PACKET_DESCRIBE:
        on_describe();
        break;
    case OT_PACKET_READ:
        on_read();
        break;
    case OT_PACKET_SPEED:
        on_speed();
        return; /* released there */
    case OT_PACKET_HEADER:
        on_header();
        break;
    case OT_PACKET_LEAVE:
        on_leave();
        break;
    default:
        refuse(OT_REFUSAL_UNKNOWN_REQUEST);
        break;
    }
    release_packet();
}

static bool is_greeted(void)
{
    ot_packet_greet greet;
    uint32_t since = ot_port_tick();
    while (!ot_time_passed(since, OT_LINK_GREET_WAIT_MS)) {
        ot_light_poll();
        if (next_packet()) {
            if (desk.kind == OT_PACKET_GREET && desk.field_count == OT_PACKET_GREET_SIZE &&
                ot_record_decode(&ot_packet_greet_layout, desk.fields, OT_PACKET_GREET_SIZE, &greet) == OT_OK) {
                return true;
            }
            release_packet();
        }
    }
    return false;
}

OT_NOINLINE void ot_desk_run(void)
{
    ot_port_serial_stop();
    ot_ring_start(&ot_the_memory.bytes[sizeof desk], (uint16_t)DESK_RING_BYTES, OT_PAUSE_MAX);
    desk.scanned = 0;
    desk.left = false;
    ot_port_serial_start(OT_DESK_BAUD, false);
    if (!is_greeted()) {
        return;
    }
    ot_port_serial_start(OT_DESK_BAUD, true);
    ot_light_set(OT_LIGHT_DESK);
    serve();
    mount();
    while (!desk.left) {
        ot_light_poll();
        if (next_packet()) {
            serve();
        }
    }
}
