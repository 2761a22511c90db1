#include "blocks.h"

#define FAULT_LOW_MA 3.6
#define FAULT_HIGH_MA 21.0
#define SURE_LOW_MA 3.8
#define SURE_HIGH_MA 20.5
#define INIT_MS 5000u
#define FAULT_MS 2000u
#define HEALED_MS 10000u

bool ton(struct ton *t, bool in, uint32_t pt_ms, uint32_t now_ms)
{
    if (in && !t->in)
        t->since = now_ms;
    t->in = in;
    if (!in)
        t->q = false;
    else if (now_ms - t->since >= pt_ms)
        t->q = true;
    return t->q;
}

bool r_trig(struct r_trig *t, bool in)
{
    bool edge = in && !t->seen;
    t->seen = in;
    return edge;
}

bool latch(struct latch *l, bool trip, bool present, uint32_t clear_ms, bool reset, uint32_t now_ms)
{
    bool gone = ton(&l->gone, !present && !trip, clear_ms, now_ms);
    if (trip)
        l->q = true;
    else if (reset && gone)
        l->q = false;
    return l->q;
}

void ain(struct ain *a, double ma, double lo, double hi, uint32_t now_ms)
{
    bool measures = ma >= FAULT_LOW_MA && ma <= FAULT_HIGH_MA; /* false for a value that is no number */
    bool sure = ma >= SURE_LOW_MA && ma <= SURE_HIGH_MA;
    bool warm = ton(&a->init, true, INIT_MS, now_ms);
    if (ton(&a->fault, !measures, FAULT_MS, now_ms))
        a->bad = true;
    if (ton(&a->healed, sure, HEALED_MS, now_ms))
        a->bad = false;
    if (measures)
        a->value = lo + (ma - 4.0) * (hi - lo) / 16.0;
    a->good = warm && !a->bad;
    a->ok = a->good && measures;
}

void hour_pass(struct hour *h, uint32_t dt_ms)
{
    for (int i = 0; i < HOUR_EVENTS; i++)
        if (!h->begun)
            h->age_ms[i] = UINT32_MAX;
        else
            count_up(&h->age_ms[i], dt_ms);
    h->begun = true;
}

void hour_add(struct hour *h)
{
    int oldest = 0;
    for (int i = 1; i < HOUR_EVENTS; i++)
        if (h->age_ms[i] > h->age_ms[oldest])
            oldest = i;
    h->age_ms[oldest] = 0;
}

void hour_clear(struct hour *h)
{
    h->begun = false;
    hour_pass(h, 0);
}

int hour_count(const struct hour *h)
{
    int n = 0;
    for (int i = 0; i < HOUR_EVENTS; i++)
        n += h->age_ms[i] <= HOUR_MS;
    return n;
}

void count_up(uint32_t *counter_ms, uint32_t dt_ms)
{
    *counter_ms = *counter_ms > UINT32_MAX - dt_ms ? UINT32_MAX : *counter_ms + dt_ms;
}

uint32_t ms(double seconds)
{
    return (uint32_t)(seconds * 1000.0 + 0.5);
}
