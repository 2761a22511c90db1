/* Booster, header pressure and antiscalant dose: the order in which they come before any unit. */
#include "parts.h"

#define NO_FEED_MS 4000u
#define REST_MS 5000u   /* a drive that has been stopped is not started into its run-down */
#define RUN_UP_MS 4000u /* the drive comes to its least speed by itself */
#define PROVING_PCT 50.0
#define STILL_MS 2000u
#define RAMP_PART 0.75 /* of the ramp that is allowed */
#define LEAD_BAR 0.3   /* the reference runs no further ahead of the pressure */
#define HZ_PER_BAR_S 4.0
#define BLIND_HZ 40.0 /* about header pressure without flow; nothing can be measured then */

static double clip(double x, double lo, double hi)
{
    return x < lo ? lo : x > hi ? hi : x;
}

static bool any_feed(const struct plc *plc)
{
    for (int i = 0; i < plc->n_units; i++)
        if (plc->unit[i].out.feed_valve)
            return true;
    return false;
}

/* Some unit could use water now. */
static bool wanted(const struct plc *plc, bool *to_start)
{
    bool any = false;
    *to_start = false;
    for (int i = 0; i < plc->n_units; i++) {
        const struct unit *u = &plc->unit[i];
        any |= u->ask > 0 || u->out.feed_valve;
        *to_start |= u->ask > 0 && u->step == S_WAIT;
    }
    return any;
}

static void set(struct bank *b, int step)
{
    b->supply = step;
    b->supply_ms = 0;
}

static void off(struct bank *b)
{
    if (b->supply > 0)
        set(b, 0);
    b->dose_proven = false;
    b->speed_hz = b->ref_bar = 0;
}

/* The reference climbs from what the header has, no faster than the ramp; the speed follows it. */
static void speed(struct plc *plc)
{
    struct bank *b = &plc->bank;
    const struct setpoints *sp = &plc->sp;
    double dt = plc->dt_ms / 1000.0, ramp = RAMP_PART * sp->header_ramp_bar_s * dt;
    if (b->supply == 0)
        return;
    if (b->supply == 10 && b->supply_ms < RUN_UP_MS) {
        b->speed_hz = sp->booster_min_hz;
        b->ref_bar = b->header.value;
    } else if (b->blind) {
        double up = clip(BLIND_HZ - b->speed_hz, -dt, dt);
        b->speed_hz = clip(b->speed_hz + up, sp->booster_min_hz, sp->booster_max_hz);
    } else if (b->header.ok && !b->stale) {
        double ref = clip(b->ref_bar + ramp, 0, sp->header_bar);
        b->ref_bar = clip(ref, 0, b->header.value + LEAD_BAR);
        double error = clip(b->ref_bar - b->header.value, -1, LEAD_BAR);
        b->speed_hz = clip(b->speed_hz + HZ_PER_BAR_S * error * dt, sp->booster_min_hz, sp->booster_max_hz);
    }
}

static void pressure_up(struct plc *plc, bool ready)
{
    struct bank *b = &plc->bank;
    bool late = b->supply_ms >= ms(plc->sp.header_rise_max_s + plc->sp.header_ready_s);
    if (b->blind && b->supply_ms >= RUN_UP_MS + ms(15))
        set(b, 30);
    else if (ready)
        set(b, 20);
    else if (late && !b->blind) {
        b->latched[B_HEADER - FIRST_B].q = true;
        off(b);
    }
}

static void steps(struct plc *plc)
{
    struct bank *b = &plc->bank;
    bool to_start, want = wanted(plc, &to_start), feed = any_feed(plc);
    bool no_feed = ton(&b->no_feed, b->supply == 30 && !feed, NO_FEED_MS, plc->now_ms);
    bool at_pressure =
        b->supply >= 10 && b->header.ok && !b->stale && b->header.value >= plc->sp.header_ready_bar;
    bool ready = ton(&b->ready, at_pressure, ms(plc->sp.header_ready_s), plc->now_ms);
    bool cut = b->estop || bank_latched(b, B_FLOOR) || bank_latched(b, B_BOOSTER);
    count_up(&b->supply_ms, plc->dt_ms);
    if (cut || no_feed || (!feed && (!want || !b->flush_ok) && b->supply < 30))
        off(b);
    else if (b->supply == 0 && want && b->flush_ok && b->supply_ms >= REST_MS)
        set(b, 10);
    else if (b->supply == 10)
        pressure_up(plc, ready);
    else if (b->supply == 20 && (b->dose_proven || !to_start || !b->start_ok))
        set(b, 30);
    else if (b->supply == 20 && b->supply_ms >= ms(plc->sp.dosing_proof_s)) {
        b->latched[B_DOSING - FIRST_B].q = true;
        set(b, 30);
    }
    b->water_ready = b->supply == 30;
    b->dose_ready = b->supply == 30 && b->dose_proven;
}

static double flow_m3h(const struct plc *plc)
{
    const struct bank *b = &plc->bank;
    double sum = 0;
    if (b->flow.ok)
        return b->flow.value;
    for (int i = 0; i < plc->n_units; i++) {
        const struct unit *u = &plc->unit[i];
        if (u->permeate.ok && u->concentrate.ok)
            sum += u->permeate.value + u->concentrate.value;
    }
    return sum;
}

/* Dose follows the flow, none goes into still water; a few strokes prove the pump before the first unit. */
static void dose(struct plc *plc)
{
    struct bank *b = &plc->bank;
    const struct setpoints *sp = &plc->sp;
    bool demand = false;
    for (int i = 0; i < plc->n_units; i++) {
        const struct unit *u = &plc->unit[i];
        demand |= pumping(u) || u->both_ms > 0;
    }
    double flow = flow_m3h(plc);
    bool still = ton(&b->still, flow < sp->dosing_flow_min_m3h, STILL_MS, plc->now_ms);
    bool proving = b->supply == 20 && !b->dose_proven;
    bool flowing = demand && !still && b->supply == 30 && !b->blind;
    double pct = proving ? PROVING_PCT : 100.0 * flow * sp->dosing_ml_m3 / sp->dosing_full_ml_h;
    b->out.dosing_run = proving || flowing;
    b->out.dosing_rate_cmd_ma = b->out.dosing_run ? 4.0 + 0.16 * clip(pct, 0, 100) : 4.0;
}

void supply(struct plc *plc)
{
    struct bank *b = &plc->bank;
    steps(plc);
    speed(plc);
    dose(plc);
    b->out.booster_run = b->supply > 0;
    b->out.booster_speed_cmd_ma = b->supply > 0 ? 4.0 + 16.0 * b->speed_hz / 60.0 : 4.0;
}
