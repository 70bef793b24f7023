/* The journal's header of any bytes. Input: flags, then 512 bytes (what is missing is zero). */
#include <stddef.h>
#include <stdint.h>
#include <string.h>

#include "fuzz_card.h"
#include "ot_bytes.h"
#include "ot_crc.h"
#include "ot_journal.h"
#include "ot_spec.h"

#define FLAG_RIGHT_CHECK 1u
#define CHECK_AT (OT_BLOCK_SIZE - OT_BLOCK_CHECK_SIZE)

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

static uint8_t bytes[OT_BLOCK_SIZE];
static uint16_t taken;

static uint8_t next(void)
{
    if (taken == sizeof bytes) {
        fuzz_fail("more than a block is taken");
    }
    return bytes[taken++];
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    ot_head_journal_header header;
    if (size < 1u || size > sizeof bytes + 1u) {
        return 0;
    }
    memset(bytes, 0, sizeof bytes);
    memcpy(bytes, &data[1], size - 1u);
    if ((data[0] & FLAG_RIGHT_CHECK) != 0u) {
        uint32_t crc = OT_CRC32_START;
        for (uint16_t i = 0; i < CHECK_AT; i++) {
            crc = ot_crc32_add(crc, bytes[i]);
        }
        ot_put_u32(&bytes[CHECK_AT], (uint32_t)~crc);
    }
    taken = 0;
    uint8_t status = ot_journal_take_header(next, &header);
    if (taken != sizeof bytes) {
        fuzz_fail("less than a block is taken");
    }
    if (status == OT_OK && (header.blocks < 2u || header.baud == 0u)) {
        fuzz_fail("a header that cannot be is taken");
    }
    return 0;
}
