/* The analogue converter, single conversions: the prescaler begins with ADEN, a conversion at its next rising edge,
 * where multiplexer and reference are locked; 13 clocks (25 for the first after ADEN), the input held after 1.5
 * (13.5) of them (ATmega328P datasheet, "Prescaling and Conversion Timing", "Changing Channel or Reference
 * Selection"). The emulator's own converts when ADCL is read, with the multiplexer of that moment. */
#include <math.h>

#include "bench.h"

enum { ADEN = 7, ADSC = 6, ADATE = 5, ADIF = 4, ADPS = 7 };
enum { ADLAR = 5, MUX = 15, MUX_BANDGAP = 14, MUX_GROUND = 15, REF_AVCC = 1, REF_BANDGAP = 3, INPUTS = 2 };
enum { STAGE_START, STAGE_HOLD, STAGE_DONE };

static uint64_t clock_cycles(const struct adc *a)
{
    uint32_t ps = a->control & (uint32_t)ADPS;
    return ps == 0 ? 2u : UINT64_C(1) << ps;
}

/* The first rising edge of the converter's clock after `now`: half a clock after ADEN, then one each clock. */
static uint64_t next_rise(const struct adc *a, uint64_t now)
{
    uint64_t d = clock_cycles(a);
    uint64_t first = a->on_since + d / 2u;
    return now < first ? first : first + ((now - first) / d + 1u) * d;
}

/* Roughly normal, mean 0 and deviation 1: the sum of twelve even ones. */
static double normal(uint64_t *state)
{
    double sum = -6.0;
    for (int i = 0; i < 12; i++) {
        sum += (double)(noise_next(state) >> 11) / 9007199254740992.0;
    }
    return sum;
}

static double input_mv(bench_t *b, uint32_t channel, uint64_t cycle)
{
    struct world *w = &b->world;
    if (channel == (uint32_t)MUX_BANDGAP) {
        return (double)b->cfg.bandgap_mv;
    }
    if (channel < (uint32_t)INPUTS && w->analogue[channel].points != 0) {
        double noise = w->noise_mv[channel] > 0.0 ? w->noise_mv[channel] * normal(&b->adc.noise) : 0.0;
        return curve_value(&w->analogue[channel], (double)cycle) + noise;
    }
    return 0.0;   /* ground, or a pin with nothing on it */
}

/* Between two whole counts the nearer one: the ideal first step is at half a count (datasheet, "ADC Accuracy
 * Definitions"). */
static void hold(bench_t *b, uint64_t cycle)
{
    struct adc *a = &b->adc;
    uint32_t channel = a->mux & (uint32_t)MUX;
    uint32_t reference = (a->mux >> 6) & 3u;
    if (channel > 7u && channel != (uint32_t)MUX_BANDGAP && channel != (uint32_t)MUX_GROUND) {
        bench_refuse(b, "ADMUX: that channel is not modelled");
    }
    if (reference != (uint32_t)REF_AVCC && reference != (uint32_t)REF_BANDGAP) {
        bench_refuse(b, "ADMUX: only AVCC and the bandgap are modelled as references");
    }
    double full = (double)(reference == (uint32_t)REF_AVCC ? b->vcc_mv : b->cfg.bandgap_mv);
    double counts = floor(input_mv(b, channel, cycle) * 1024.0 / full + 0.5);
    a->held = (uint16_t)(counts < 0.0 ? 0.0 : counts > 1023.0 ? 1023.0 : counts);
    log_event(&a->samples, cycle, channel, a->held);
}

static void follow(bench_t *b)
{
    vector_follow(b->avr, b->adc.vector, b->adc.flag);
}

static avr_cycle_count_t adc_event(avr_t *avr, avr_cycle_count_t when, void *param)
{
    bench_t *b = param;
    struct adc *a = &b->adc;
    uint64_t d = clock_cycles(a);
    if (a->stage == STAGE_START) {
        a->mux = avr->data[REG_ADMUX];
        a->stage = STAGE_HOLD;
        bench_at(b, a->start + (a->first ? 12u * d : 0u) + d + d / 2u, adc_event, b);
    } else if (a->stage == STAGE_HOLD) {
        hold(b, when);
        a->stage = STAGE_DONE;
        bench_at(b, a->start + (a->first ? 25u : 13u) * d, adc_event, b);
    } else {
        a->busy = false;
        a->first = false;
        a->flag = true;
        if (!a->locked) {
            a->result = a->held;   /* between the reading of ADCL and of ADCH a result is lost */
        }
        follow(b);
    }
    return 0;
}

static uint8_t read_adcsra(avr_t *avr, avr_io_addr_t addr, void *param)
{
    const struct adc *a = &((bench_t *)param)->adc;
    uint32_t v = a->control | (a->busy ? 1u << ADSC : 0u) | (a->flag ? 1u << ADIF : 0u);
    avr->data[addr] = (uint8_t)v;
    return (uint8_t)v;
}

static void write_adcsra(avr_t *avr, avr_io_addr_t addr, uint8_t v, void *param)
{
    bench_t *b = param;
    struct adc *a = &b->adc;
    uint64_t now = access_cycle(avr) + 1u;
    bool was_on = ((a->control >> ADEN) & 1u) != 0;
    bool on = ((v >> ADEN) & 1u) != 0;
    if ((v >> ADATE) & 1u) {
        bench_refuse(b, "ADCSRA: only single conversions are modelled, not ADATE");
    }
    a->control = v & ~((1u << ADSC) | (1u << ADIF));
    if ((v >> ADIF) & 1u) {
        a->flag = false;
    }
    if (!on) {
        a->busy = false;
        avr_cycle_timer_cancel(avr, adc_event, b);
    } else if (!was_on) {
        a->on_since = now;
        a->first = true;
    }
    if (on && ((v >> ADSC) & 1u) && !a->busy) {
        a->busy = true;
        a->stage = STAGE_START;
        a->start = next_rise(a, now);
        bench_at(b, a->start, adc_event, b);
    }
    (void)read_adcsra(avr, addr, b);
    follow(b);
}

static uint8_t read_result(avr_t *avr, avr_io_addr_t addr, void *param)
{
    struct adc *a = &((bench_t *)param)->adc;
    uint32_t value = ((avr->data[REG_ADMUX] >> ADLAR) & 1u) ? (uint32_t)a->result << 6 : a->result;
    a->locked = addr == REG_ADCL;
    avr->data[addr] = (uint8_t)(addr == REG_ADCL ? value : value >> 8);
    return avr->data[addr];
}

static void ignore_write(avr_t *avr, avr_io_addr_t addr, uint8_t v, void *param)
{
    (void)avr;
    (void)addr;
    (void)v;
    (void)param;
}

void adc_entered(bench_t *b, uint8_t vector)
{
    if (vector == b->adc.vector->vector) {
        b->adc.flag = false;
        follow(b);
    }
}

void adc_reset(bench_t *b)
{
    struct adc *a = &b->adc;
    avr_cycle_timer_cancel(b->avr, adc_event, b);
    a->control = 0;
    a->flag = a->busy = a->locked = false;
    a->result = 0;
    follow(b);
}

void adc_install(bench_t *b)
{
    b->adc.vector = vector_find(b->avr, 21);
    io_own(b, REG_ADCSRA, read_adcsra, write_adcsra, b);
    io_own(b, REG_ADCL, read_result, ignore_write, b);
    io_own(b, REG_ADCH, read_result, ignore_write, b);
    io_own(b, REG_ADMUX, NULL, NULL, NULL);
}

const bench_event_t *bench_adc_samples(bench_t *b, uint64_t *count)
{
    *count = b->adc.samples.count;
    return (const bench_event_t *)(const void *)b->adc.samples.data;
}
