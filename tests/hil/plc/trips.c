/* What stops a unit: its own protections with their delays and latches, people, and the shared causes. */
#include "parts.h"

#define CLEAR_MS 10000u
#define MOTOR_CLEAR_MS 60000u
#define DRY_MS 30000u
#define OPEN_MS 10000u /* a feed valve has shown itself by then */
#define HEADER_FOR_FEED_BAR 1.8
#define FLUSH_SHOWN_MS 10000u
#define FLUSH_SHUT_MS 5000u

bool pumping(const struct unit *u)
{
    return u->step == S_START || u->step == S_RUN || u->step == S_PURGE || u->step == S_QFLUSH;
}

static bool filling(const struct unit *u)
{
    return u->step == S_FLUSH || u->step == S_SETTLE;
}

/* A step in which an actuator is driven. */
static bool moving(const struct unit *u)
{
    return u->step >= S_FLUSH && u->step <= S_CLOSE;
}

static bool resting(const struct unit *u)
{
    return u->step == S_STANDBY || u->step == S_WAIT || u->step == S_RETRY;
}

bool unit_latched(const struct unit *u)
{
    for (int i = 0; i < N_U; i++)
        if (u->latched[i].q)
            return true;
    return false;
}

/* The strongest stop of a scan wins, and of equal ones the first. */
static void stop(struct unit *u, enum stop how, enum cause why)
{
    if (how > u->stop) {
        u->stop = how;
        u->stop_why = why;
    }
}

/* One cause that latches: stops a moving unit, and keeps a resting one from starting. */
static void trip(struct plc *plc, struct unit *u, enum cause why, enum stop how, bool now, bool present,
                 uint32_t clear_ms, bool reset)
{
    bool was = unit_latched(u);
    latch(&u->latched[why - FIRST_U], now, present, clear_ms, reset, plc->now_ms);
    if (!now)
        return;
    if (!was)
        u->first_out = why;
    stop(u, how, why);
}

/* --- the image ------------------------------ */

void unit_look(struct plc *plc, struct unit *u, const struct unit_in *in)
{
    uint32_t now = plc->now_ms;
    ain(&u->suction, in->suction_ma, 0, 6, now);
    ain(&u->membrane, in->membrane_ma, 0, 25, now);
    ain(&u->cond, in->permeate_cond_ma, 0, 1000, now);
    ain(&u->permeate, in->permeate_flow_ma, 0, 2.5, now);
    ain(&u->concentrate, in->concentrate_flow_ma, 0, 5, now);
}

/* --- suction ------------------------------ */

static uint32_t retry_wait(const struct plc *plc, int failure)
{
    const struct setpoints *sp = &plc->sp;
    return ms(failure <= 1   ? sp->suction_retry_1_s
              : failure == 2 ? sp->suction_retry_2_s
                             : sp->suction_retry_3_s);
}

static void low_suction(struct plc *plc, struct unit *u, enum cause why)
{
    if (u->step == S_STOPFLUSH) {
        u->debt_wait_ms = DEBT_AGAIN_MS;
        stop(u, STOP_T1, why);
        return;
    }
    if (!pumping(u) && !filling(u))
        return;
    if (hour_count(&u->retries) >= (int)plc->sp.suction_retries) {
        trip(plc, u, U_SUCTION, STOP_T1, true, false, 0, false);
        hour_clear(&u->retries);
        return;
    }
    hour_add(&u->retries);
    u->retry_ms = retry_wait(plc, hour_count(&u->retries));
    stop(u, STOP_T1, why);
}

static void suction(struct plc *plc, struct unit *u, const struct unit_in *in, bool reset)
{
    const struct setpoints *sp = &plc->sp;
    const struct bank *b = &plc->bank;
    uint32_t now = plc->now_ms;
    bool open = ton(&u->feed_open, u->out.feed_valve, ms(sp->suction_blank_s), now);
    double bar = u->suction.value;
    bool low = ton(&u->low, open && u->suction.ok && bar < sp->suction_trip_bar, ms(sp->suction_trip_s), now);
    low |= ton(&u->gone, open && u->suction.ok && bar < sp->suction_fast_bar, ms(sp->suction_fast_s), now);
    low |= ton(&u->psll, open && !in->suction_ok, ms(sp->suction_fast_s), now);
    trip(plc, u, U_SUCTION, STOP_T1, false, false, 0, reset);
    if (b->header_lost)
        low_suction(plc, u, C_HEADER);
    else if (low)
        low_suction(plc, u, C_SUCTION);

    if (!u->out.feed_valve)
        u->feed_seen = false;
    else if (u->suction.ok && bar >= sp->suction_trip_bar)
        u->feed_seen = true;
    bool header = b->header.ok && !b->stale && b->header.value >= HEADER_FOR_FEED_BAR;
    bool shut = u->out.feed_valve && u->feed_open.in && now - u->feed_open.since >= OPEN_MS && header &&
                u->suction.ok && !u->feed_seen && moving(u);
    trip(plc, u, U_FEED_SHUT, STOP_T1, shut, shut, 0, reset);
    bool bad = u->suction.bad && (moving(u) || u->step == S_RETRY);
    trip(plc, u, U_PT1, STOP_T1, bad, !u->suction.good, 0, reset);
}

/* --- pressures, pump, leaks ------------------------------ */

static void pressures(struct plc *plc, struct unit *u, const struct unit_in *in, bool reset)
{
    const struct setpoints *sp = &plc->sp;
    uint32_t now = plc->now_ms;
    bool awake = moving(u) || resting(u);
    bool high = u->membrane.ok && u->membrane.value > sp->discharge_trip_bar;
    bool tripped = ton(&u->high, high, ms(sp->discharge_trip_s), now) && pumping(u);
    trip(plc, u, U_PRESSURE, STOP_T1, tripped, high, CLEAR_MS, reset);
    trip(plc, u, U_PSHH, STOP_T1, !in->discharge_ok && awake, !in->discharge_ok, CLEAR_MS, reset);
    trip(plc, u, U_MOTOR, STOP_T1, !in->motor_healthy && awake, !in->motor_healthy, MOTOR_CLEAR_MS, reset);
    bool back = ton(&u->permeate_high, !in->permeate_ok, ms(sp->permeate_trip_s), now);
    bool blocked = back && (pumping(u) || u->step == S_SETTLE);
    trip(plc, u, U_PERMEATE, STOP_T1, blocked, !in->permeate_ok, CLEAR_MS, reset);
    bool wet = ton(&u->leak, !in->skid_dry, ms(sp->leak_s), now) && awake;
    trip(plc, u, U_SKID, STOP_T0, wet, !in->skid_dry, DRY_MS, reset);
}

static void pump(struct plc *plc, struct unit *u, const struct unit_in *in, bool reset)
{
    const struct setpoints *sp = &plc->sp;
    uint32_t now = plc->now_ms;
    bool silent = ton(&u->no_feedback, u->out.pump && !in->pump_running, ms(sp->feedback_s), now);
    trip(plc, u, U_FEEDBACK, STOP_T1, silent && pumping(u), false, 0, reset);
    bool welded = ton(&u->welded, !u->out.pump && in->pump_running, ms(sp->feedback_s), now);
    trip(plc, u, U_WELDED, STOP_T0, welded, in->pump_running, 0, reset);
    bool weak = u->step == S_START && u->pump_ms >= ms(sp->pressure_rise_s);
    trip(plc, u, U_NO_PRESSURE, STOP_T1, weak, false, 0, reset);
}

/* --- valves that do not follow ------------------------------ */

static void valves(struct plc *plc, struct unit *u, bool reset)
{
    const struct setpoints *sp = &plc->sp;
    uint32_t now = plc->now_ms;
    double flow = u->concentrate.value;
    bool water = u->suction.ok && u->suction.value >= sp->settled_suction_bar;
    bool dry = u->step == S_FLUSH && u->both_ms > 0 && water && u->concentrate.ok && flow < sp->flush_proof_m3h;
    bool shut = ton(&u->no_flush, dry, FLUSH_SHOWN_MS, now);
    trip(plc, u, U_FLUSH_SHUT, STOP_T1, shut, false, 0, reset);
    bool full = u->step == S_SETTLE && u->concentrate.ok && flow >= sp->settled_flow_m3h;
    bool open = full && u->step_ms >= ms(sp->flush_shut_s);
    bool weak = u->step == S_RUN && u->membrane.ok && u->reference_bar > 0 &&
                u->membrane.value < sp->purge_evidence_ratio * u->reference_bar;
    bool lost = ton(&u->open_flush, weak, FLUSH_SHUT_MS, now);
    trip(plc, u, U_FLUSH_OPEN, open ? STOP_T1 : STOP_T2, open || lost, false, 0, reset);
    bool never = u->step == S_FLUSH && u->both_ms >= ms(sp->start_flush_max_s);
    trip(plc, u, U_NO_VOLUME, STOP_T1, never, false, 0, reset);
    trip(plc, u, U_NO_PURGE, STOP_T2, u->purge_fails >= 2 && pumping(u), false, 0, reset);
}

/* --- permeate quality ------------------------------ */

static void quality(struct plc *plc, struct unit *u, bool reset)
{
    const struct setpoints *sp = &plc->sp;
    uint32_t now = plc->now_ms;
    bool judged = u->step == S_RUN && u->pump_ms >= ms(sp->tds_blank_start_s) &&
                  u->since_flush_ms >= ms(sp->tds_blank_purge_s) && u->cond.ok;
    double tds = u->cond.value * sp->tds_per_us;
    bool alarm = ton(&u->alarm, judged && tds > sp->tds_alarm_mgl, ms(sp->tds_alarm_s), now);
    bool out = ton(&u->lockout, judged && tds > sp->tds_lockout_mgl, ms(sp->tds_lockout_s), now);
    bool spent = false;
    if (alarm) {
        u->quality_alarm = true;
        spent = tds <= sp->tds_lockout_mgl && hour_count(&u->qflushes) >= (int)sp->quality_flush_budget;
    }
    if (judged && tds < sp->tds_clear_mgl)
        u->quality_alarm = false;
    u->want_qflush = judged && (alarm || u->want_qflush) && u->quality_alarm && !spent;
    trip(plc, u, U_QUALITY, STOP_T2, out || spent, false, 0, reset);
    bool good = ton(&u->good_water, judged && tds < sp->tds_clear_mgl, CLEAR_MS, now);
    u->out.divert = judged && (good || (u->out.divert && tds <= sp->tds_alarm_mgl));
    bool blind = ton(&u->cond_bad, u->cond.bad, ms(sp->quality_bad_s), now) && pumping(u);
    trip(plc, u, U_AT5, STOP_T2, blind, !u->cond.good, 0, reset);
    bool numb = ton(&u->membrane_bad, u->membrane.bad, ms(sp->quality_bad_s), now) && pumping(u);
    trip(plc, u, U_PT2, STOP_T2, numb, !u->membrane.good, 0, reset);
}

/* --- people and what is shared ------------------------------ */

static void people(struct plc *plc, struct unit *u, const struct unit_in *in, uint32_t told)
{
    int out = 0;
    for (int i = 0; i < plc->n_units; i++)
        out += plc->unit[i].maint;
    if (told & CMD_STOP) {
        u->stopped = true;
        u->retry_ms = u->step == S_RETRY && !u->io_trip ? 0 : u->retry_ms;
        stop(u, STOP_T2, C_STOP);
    } else if (told & CMD_START) {
        u->stopped = false;
    }
    bool may = u->step != S_BOOT && u->step != S_ESTOP && out < (int)plc->sp.max_in_maintenance;
    if ((told & CMD_MAINTAIN) && may)
        u->maint = true;
    if (u->maint)
        stop(u, STOP_T2, C_MAINT);
    if ((told & CMD_RETURN) && u->step == S_MAINT && !in->selector_auto && in->isolator_on) {
        u->maint = false;
        u->off = true;
    }
    bool turned = r_trig(&u->auto_edge, in->selector_auto);
    if (!in->selector_auto || !in->isolator_on)
        u->off = true;
    else if (turned && u->step == S_OFF)
        u->off = false;
    if (in->selector_auto)
        u->off_ms = 0;
    else {
        count_up(&u->off_ms, plc->dt_ms);
        stop(u, STOP_T1, C_SELECTOR);
    }
    if (!in->isolator_on)
        stop(u, STOP_T0, C_ISOLATOR);
}

static void shared(const struct plc *plc, struct unit *u)
{
    static const struct {
        enum cause why;
        enum stop how;
    } causes[] = {{B_FLOAT, STOP_T1},   {B_FLOOR, STOP_T0},       {B_SUMP, STOP_T1},   {B_HOT, STOP_T1},
                  {B_OXIDANT, STOP_T1}, {B_ANTISCALANT, STOP_T2}, {B_DOSING, STOP_T2}, {B_BOOSTER, STOP_T1}};
    const struct bank *b = &plc->bank;
    for (size_t i = 0; i < sizeof causes / sizeof causes[0]; i++)
        if (bank_latched(b, causes[i].why))
            stop(u, causes[i].how, causes[i].why);
    if (b->estop)
        stop(u, STOP_T0, C_ESTOP);
    if (b->blind)
        stop(u, STOP_T2, C_HEARTBEAT);
    if (!u->call)
        stop(u, STOP_T2, b->calls_off ? b->calls_off_why : C_CALL);
    if (u->step == S_RUN && u->purge_ms > 2 * ms(plc->sp.purge_interval_s) &&
        plc->sp.mistake != MISTAKE_NO_PURGE)
        stop(u, STOP_T2, C_OVERDUE);
}

/* An image that is too old drives nothing; what was running starts again only from the beginning. */
static void stale_io(struct plc *plc, struct unit *u, const struct unit_in *in, bool reset)
{
    const struct setpoints *sp = &plc->sp;
    bool stale = in->age_ms > ms(sp->io_stale_s);
    bool was_lost = u->io_lost.q;
    bool lost = ton(&u->io_lost, in->age_ms >= ms(sp->io_lost_s), 0, plc->now_ms);
    bool fresh = ton(&u->io_back, !stale, ms(sp->io_back_s), plc->now_ms);
    if (lost && !was_lost && u->io_trip)
        hour_add(&u->io_losses);
    bool spent = lost && hour_count(&u->io_losses) > (int)sp->io_retries;
    trip(plc, u, U_IO, STOP_T0, spent, !fresh, 0, reset);
    if (stale && moving(u)) {
        u->io_trip = true;
        stop(u, STOP_T0, C_IO);
    }
    if (stale && u->io_trip && u->retry_ms < ms(sp->io_back_s))
        u->retry_ms = ms(sp->io_back_s);
}

void unit_trips(struct plc *plc, struct unit *u, const struct unit_in *in, bool reset)
{
    u->stop = STOP_NONE;
    u->stop_why = C_NONE;
    stale_io(plc, u, in, reset);
    if (in->age_ms <= ms(plc->sp.io_stale_s)) {
        suction(plc, u, in, reset);
        pressures(plc, u, in, reset);
        pump(plc, u, in, reset);
        valves(plc, u, reset);
        quality(plc, u, reset);
        people(plc, u, in, in->command);
    }
    trip(plc, u, U_MEMORY, STOP_T0, false, false, 0, reset);
    shared(plc, u);
}
