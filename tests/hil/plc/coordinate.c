/* Between the units: who is called, who may flush, who may start a pump, who may shut a feed valve. */
#include "parts.h"

#define LEASE_MARGIN_S 10.0
#define MARGIN 0.95
#define MUST_SHUT_MS 4500u /* after selector OFF, where 5 s are allowed */

/* --- demand by tank level ------------------------------ */

static void count_wanted(struct plc *plc)
{
    struct bank *b = &plc->bank;
    const struct setpoints *sp = &plc->sp;
    int n = plc->n_units;
    if (!b->level.ok || b->stale)
        return;
    for (int i = 0; i < n; i++) {
        double call = sp->tank_first_pct;
        if (n > 1)
            call -= (sp->tank_first_pct - sp->tank_last_pct) * i / (n - 1);
        double release = i == 0 ? sp->tank_stop_pct : call + sp->tank_release_pct;
        if (b->level.value < call && b->wanted < i + 1)
            b->wanted = i + 1;
        if (b->level.value >= release && b->wanted > i)
            b->wanted = i;
    }
}

static double rank(const struct unit *u)
{
    return u->run_total_s + (u->quality_alarm ? 1e12 : 0.0);
}

static void call_one(struct plc *plc)
{
    struct unit *best = NULL;
    for (int i = 0; i < plc->n_units; i++) {
        struct unit *u = &plc->unit[i];
        if (!u->call && unit_available(plc, u) && (!best || rank(u) < rank(best)))
            best = u;
    }
    if (best) {
        best->call = true;
        plc->bank.since_change_ms = 0;
    }
}

static void release_one(struct plc *plc)
{
    struct unit *most = NULL;
    for (int i = 0; i < plc->n_units; i++) {
        struct unit *u = &plc->unit[i];
        bool may_stop = !pumping(u) || u->pump_ms >= ms(60 * plc->sp.min_run_min);
        if (u->call && may_stop && (!most || rank(u) > rank(most)))
            most = u;
    }
    if (most) {
        most->call = false;
        most->demand_rest_ms = ms(60 * plc->sp.min_rest_min);
        plc->bank.since_change_ms = 0;
    }
}

void demand(struct plc *plc)
{
    struct bank *b = &plc->bank;
    int called = 0;
    count_up(&b->since_change_ms, plc->dt_ms);
    count_wanted(plc);
    for (int i = 0; i < plc->n_units; i++) {
        struct unit *u = &plc->unit[i];
        if (u->call && (b->calls_off || unit_latched(u) || u->stopped || u->maint || u->off || b->estop)) {
            u->call = false;
            u->demand_rest_ms =
                b->calls_off && b->calls_off_why == C_CALL ? ms(60 * plc->sp.min_rest_min) : 0;
        }
        called += u->call;
    }
    if (b->since_change_ms < ms(plc->sp.demand_change_s) || b->calls_off)
        return;
    if (called < b->wanted && b->level_known && b->start_ok)
        call_one(plc);
    else if (called > b->wanted)
        release_one(plc);
}

/* --- flush slots ------------------------------ */

int slot_count(const struct plc *plc)
{
    const struct setpoints *sp = &plc->sp;
    int n = plc->n_units, k = 0;
    while (k < n) {
        int flushing = k + 1, others = n - flushing;
        double drain = others * sp->unit_concentrate_m3h + flushing * sp->flush_drain_m3h;
        double feed = others * sp->unit_feed_m3h + flushing * sp->flush_feed_m3h;
        if (drain > MARGIN * sp->drain_capacity_m3h || feed > MARGIN * sp->booster_capacity_m3h)
            break;
        k++;
    }
    k = k > 0 ? k : 1;
    return sp->mistake == MISTAKE_STARTS_TOGETHER ? k + 1 : k;
}

static bool uses_slot(const struct unit *u)
{
    switch (u->step) {
    case S_FLUSH:
    case S_SETTLE:
    case S_START:
    case S_PURGE:
    case S_QFLUSH:
    case S_STOPFLUSH: return true;
    case S_COAST:
    case S_SLOT: return u->with_flush;
    default: return u->out.flush_valve;
    }
}

static struct unit *first_in_queue(struct plc *plc)
{
    struct unit *first = NULL;
    for (int i = 0; i < plc->n_units; i++) {
        struct unit *u = &plc->unit[i];
        if (u->slot || u->ask == 0)
            continue;
        if (!first || u->ask < first->ask || (u->ask == first->ask && u->wait_ms > first->wait_ms))
            first = u;
    }
    return first;
}

void slots(struct plc *plc)
{
    int lent = 0;
    for (int i = 0; i < plc->n_units; i++) {
        struct unit *u = &plc->unit[i];
        if (u->slot)
            count_up(&u->slot_ms, plc->dt_ms);
        if (u->slot && (!uses_slot(u) || u->slot_ms > ms(plc->sp.start_flush_max_s + LEASE_MARGIN_S)))
            u->slot = false;
        lent += u->slot || u->out.flush_valve;
    }
    while (lent < plc->bank.slots && plc->bank.water_ready && !plc->bank.stale) {
        struct unit *u = first_in_queue(plc);
        if (!u)
            break;
        u->slot = true;
        u->slot_ms = 0;
        lent++;
    }
}

/* --- apart from each other ------------------------------ */

/* A second between two closures, but not beyond what a person at the selector, or rule (d), may expect. */
bool may_close_feed(struct plc *plc, const struct unit *u)
{
    struct bank *b = &plc->bank;
    bool must = u->off_ms >= MUST_SHUT_MS || u->both_ms >= ms(plc->sp.start_flush_max_s);
    if (b->since_close_ms < ms(plc->sp.feed_close_gap_s) && !must)
        return false;
    b->since_close_ms = 0;
    return true;
}

bool may_start_pump(struct plc *plc, const struct unit *u)
{
    struct bank *b = &plc->bank;
    const struct setpoints *sp = &plc->sp;
    bool apart = b->since_start_ms >= ms(sp->stagger_s) || sp->mistake == MISTAKE_STARTS_TOGETHER;
    bool rested = u->rest_ms >= ms(sp->min_off_s) && hour_count(&u->starts) < (int)sp->max_starts_per_h;
    if (!apart || !rested || !b->steady.q || b->stale || !b->dose_ready)
        return false;
    b->since_start_ms = 0;
    return true;
}
