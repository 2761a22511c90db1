/* Function blocks in the manner of IEC 61131-3: timers, edges, a latch, an analogue input, events of an hour.
 *
 * Every block takes the time as an argument. Times are milliseconds; a clock that wraps does no harm. */
#ifndef PLC_BLOCKS_H
#define PLC_BLOCKS_H

#include <stdbool.h>
#include <stdint.h>

/* On-delay timer: Q comes when IN has been true for PT, and goes with IN. */
struct ton {
    uint32_t since;
    bool in, q;
};
bool ton(struct ton *t, bool in, uint32_t pt_ms, uint32_t now_ms);

/* Rising edge. */
struct r_trig {
    bool seen;
};
bool r_trig(struct r_trig *t, bool in);

/* A trip that stays until it is reset, and that can be reset only when its cause has been gone for a time. */
struct latch {
    bool q;
    struct ton gone;
};
bool latch(struct latch *l, bool trip, bool present, uint32_t clear_ms, bool reset, uint32_t now_ms);

/* A 4..20 mA loop with the fault signals of NAMUR NE 43. `ok`: a measurement, in this scan; `good`: not
 * called BAD, and past its first seconds; `bad`: called BAD. Limits are compared only while `ok`. */
struct ain {
    double value;
    bool ok, good, bad;
    struct ton init, fault, healed;
};
void ain(struct ain *a, double ma, double lo, double hi, uint32_t now_ms);

/* How often something happened in the last hour. Ages instead of times, so that they can be retained. */
#define HOUR_MS 3600000u
#define HOUR_EVENTS 9
struct hour {
    uint32_t age_ms[HOUR_EVENTS]; /* UINT32_MAX: none */
    bool begun;
};
void hour_pass(struct hour *h, uint32_t dt_ms);
void hour_add(struct hour *h);
void hour_clear(struct hour *h);
int hour_count(const struct hour *h);

/* Counts up without wrapping. */
void count_up(uint32_t *counter_ms, uint32_t dt_ms);

uint32_t ms(double seconds);

#endif
