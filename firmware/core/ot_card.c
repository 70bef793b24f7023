#include "ot_card.h"

#include "ot_crc.h"
#include "ot_port.h"
#include "ot_spec.h"
#include "ot_time.h"
#include "ot_work.h"

#define R1_READY 0x00u
#define R1_IDLE 0x01u
#define R1_ILLEGAL 0x04u
#define TOKEN_MULTI 0xfcu
#define TOKEN_STOP 0xfdu
#define ANSWER_MASK 0x1fu
#define ANSWER_ACCEPTED 0x05u
#define ANSWER_CRC 0x0bu
#define ANSWER_WRITE 0x0du
#define START_MS 1500u /* ACMD41 may take 1 s */
#define STOP_BUSY_MS 2000u

static struct {
    bool by_block : 1;   /* high capacity: addresses count sectors */
    bool multi_open : 1; /* a multi-block write is under way */
    union {
        uint32_t next; /* while a multi-block write is open: the sector it would take next */
        struct {
            uint16_t crc;  /* while a sector is read: of its data */
            uint16_t left; /* bytes still to come */
        } read;
    } at;
} card;

/* A byte from the card; what is sent meanwhile it takes for nothing. */
static uint8_t receive(void) { return ot_port_spi(0xff); }

static bool wait_not_busy(uint16_t ms)
{
    uint32_t since = ot_port_tick();
    while (receive() != 0xffu) {
        if (ot_time_passed(since, ms)) {
            return false;
        }
    }
    return true;
}

static uint8_t command(uint8_t index, uint32_t argument)
{
    uint8_t bytes[5] = {(uint8_t)(0x40u | index), (uint8_t)(argument >> 24), (uint8_t)(argument >> 16),
                        (uint8_t)(argument >> 8), (uint8_t)argument};
    for (uint8_t i = 0; i < 5u; i++) {
        ot_port_spi(bytes[i]);
    }
    ot_port_spi(ot_crc7_end(bytes, 5));
    uint8_t r1 = 0xff;
    if (index == 12u) {
        receive(); /* a stuff byte before the answer */
    }
    for (uint8_t i = 0; i < 10u && (r1 & 0x80u) != 0u; i++) {
        r1 = receive();
    }
    return r1;
}

/* A command to a card that is up: not before it has left busy. */
static uint8_t ready_command(uint8_t index, uint32_t argument)
{
    return wait_not_busy(STOP_BUSY_MS) ? command(index, argument) : 0xffu;
}

/* CMD0 until the card is idle. It may be busy, in the middle of a block that an earlier life of this chip began, or
 * not listening yet: no waiting for "not busy" here, and enough clocks to end any block. */
static bool go_idle(void)
{
    for (uint8_t attempt = 0; attempt < 20u; attempt++) {
        ot_port_card_select(false);
        for (uint8_t i = 0; i < 12u; i++) {
            receive();
        }
        ot_port_card_select(true);
        for (uint16_t i = 0; attempt > 2u && i < 520u; i++) {
            receive();
        }
        if (attempt > 2u) {
            ot_port_spi(TOKEN_STOP); /* ends a multi-block write that is still open */
            receive();
        }
        uint8_t r1 = command(0, 0);
        for (uint8_t i = 0; i < 8u && r1 != R1_IDLE; i++) {
            r1 = receive(); /* garbage before the answer */
        }
        if (r1 == R1_IDLE) {
            return true;
        }
    }
    return false;
}

static bool initialise(bool version_2, void (*idle)(void))
{
    uint32_t since = ot_port_tick();
    for (;;) {
        ready_command(55, 0);
        uint8_t r1 = ready_command(41, version_2 ? 0x40000000ul : 0);
        if (r1 == R1_READY) {
            return true;
        }
        if (r1 != R1_IDLE || ot_time_passed(since, START_MS)) {
            return false;
        }
        idle();
    }
}

bool ot_card_start(void (*idle)(void))
{
    card.multi_open = false;
    card.by_block = false;
    ot_port_spi_fast(false);
    if (!go_idle()) {
        return false;
    }
    uint8_t r1 = ready_command(8, 0x1aaul);
    bool version_2 = (r1 & R1_ILLEGAL) == 0u;
    if (version_2) {
        uint32_t echo = 0;
        for (uint8_t i = 0; i < 4u; i++) {
            echo = (echo << 8) | receive();
        }
        if (r1 != R1_IDLE || (echo & 0xffful) != 0x1aaul) {
            return false;
        }
    }
    /* CRC on, so that a card believes neither a bad wire nor the rest of a block that a reset cut short. */
    if (ready_command(59, 1) > R1_IDLE || !initialise(version_2, idle)) {
        return false;
    }
    if (version_2) {
        if (ready_command(58, 0) != R1_READY) {
            return false;
        }
        card.by_block = (receive() & 0x40u) != 0u;
        for (uint8_t i = 0; i < 3u; i++) {
            receive();
        }
    }
    if (!card.by_block && ready_command(16, OT_BLOCK_SIZE) != R1_READY) {
        return false;
    }
    ot_port_spi_fast(true);
    return true;
}

static uint32_t address(uint32_t sector) { return card.by_block ? sector : sector * OT_BLOCK_SIZE; }

bool ot_card_read_ask(uint32_t sector)
{
    ot_card_finish();
    return ready_command(17, address(sector)) == R1_READY;
}

uint8_t ot_card_read_token(void) { return receive(); }

bool ot_card_read_open(uint32_t sector)
{
    if (!ot_card_read_ask(sector)) {
        return false;
    }
    uint32_t since = ot_port_tick();
    uint8_t token;
    do {
        token = ot_card_read_token();
        if (ot_time_passed(since, OT_CARD_READ_MS)) {
            return false;
        }
    } while (token == OT_CARD_TOKEN_NONE);
    card.at.read.crc = OT_CRC16_CARD_START;
    card.at.read.left = OT_BLOCK_SIZE;
    return token == OT_CARD_TOKEN_DATA;
}

uint8_t ot_card_read_byte(void)
{
    card.at.read.left--;
    return ot_card_read_next(&card.at.read.crc);
}

bool ot_card_read_end(uint16_t crc)
{
    uint16_t told = (uint16_t)((uint16_t)receive() << 8);
    return (told | receive()) == crc;
}

bool ot_card_read_close(void)
{
    while (card.at.read.left != 0u) {
        (void)ot_card_read_byte();
    }
    return ot_card_read_end(card.at.read.crc);
}

void ot_card_put(const uint8_t *bytes, uint16_t count) { ot_port_spi_put(bytes, count, &ot_the_work.block.checks); }

static bool write_open(uint32_t sector)
{
    if (card.multi_open && card.at.next == sector) {
        return true;
    }
    ot_card_finish();
    if (ready_command(25, address(sector)) != R1_READY) {
        return false;
    }
    card.multi_open = true;
    return true;
}

ot_card_answer ot_card_write(uint32_t sector, void (*body)(void))
{
    if (!write_open(sector)) {
        return OT_CARD_LOST;
    }
    receive();
    ot_port_spi(TOKEN_MULTI);
    ot_the_work.block.checks.card = OT_CRC16_CARD_START;
    body();
    ot_port_spi((uint8_t)(ot_the_work.block.checks.card >> 8));
    ot_port_spi((uint8_t)ot_the_work.block.checks.card);
    uint8_t answer = receive() & ANSWER_MASK;
    if (answer == ANSWER_ACCEPTED) {
        card.at.next = sector + 1u;
        return OT_CARD_ACCEPTED;
    }
    if (answer == ANSWER_CRC || answer == ANSWER_WRITE) {
        ot_card_finish();
        return OT_CARD_REFUSED;
    }
    card.multi_open = false;
    return OT_CARD_LOST;
}

bool ot_card_busy(void) { return receive() != 0xffu; }

void ot_card_finish(void)
{
    if (!card.multi_open) {
        return;
    }
    card.multi_open = false;
    if (wait_not_busy(STOP_BUSY_MS)) {
        ot_port_spi(TOKEN_STOP);
        receive();
    }
}
