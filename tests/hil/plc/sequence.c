/* The steps of one unit. */
#include "parts.h"

#define BLIND_MARGIN_S 30.0  /* for the booster, which starts anew for each flush */
#define BLIND_WINDOW_MS 25000u
#define DEBT_AGAIN_MS 120000u
#define QUALITY_PRIORITY 3

static void go(struct unit *u, enum step step, enum cause why)
{
    u->step = step;
    u->step_ms = 0;
    u->why = why;
}

static int index_of(const struct plc *plc, const struct unit *u)
{
    return (int)(u - plc->unit);
}

bool unit_available(const struct plc *plc, const struct unit *u)
{
    uint32_t resume = ms(plc->sp.resume_s + plc->sp.resume_step_s * index_of(plc, u));
    if (plc->bank.returned && plc->bank.returns >= (int)plc->sp.brownout_returns)
        resume = ms(60 * plc->sp.brownout_min);
    bool resumed = !plc->bank.returned || plc->bank.up_ms >= resume;
    return u->step == S_STANDBY && !u->stopped && !u->maint && !unit_latched(u) && u->retry_ms == 0 &&
           u->demand_rest_ms == 0 && resumed;
}

/* Without a coordinator each unit has a time of its own for one flush. */
static bool blind_turn(const struct plc *plc, const struct unit *u)
{
    uint32_t turn = (uint32_t)(index_of(plc, u) + 1) * ms(plc->sp.stop_flush_s + BLIND_MARGIN_S);
    return plc->bank.blind && plc->bank.blind_ms >= turn && plc->bank.blind_ms < turn + BLIND_WINDOW_MS;
}

bool has_slot(const struct plc *plc, const struct unit *u)
{
    return u->slot || plc->bank.blind;
}

/* Where a unit rests when nothing moves any more. */
static enum step rest(const struct plc *plc, const struct unit *u)
{
    if (u->maint)
        return S_MAINT;
    if (u->off)
        return S_OFF;
    if (plc->bank.estop)
        return S_ESTOP;
    if (unit_latched(u))
        return S_LOCKOUT;
    return u->retry_ms > 0 ? S_RETRY : S_STANDBY;
}

/* --- stops -------------------------------------------------------------------------------------------------------- */

static void close_down(struct unit *u, bool with_tail, enum cause why)
{
    u->tail = with_tail && u->out.flush_valve;
    go(u, S_CLOSE, why);
}

static void stop_pump(const struct plc *plc, struct unit *u, enum cause why)
{
    u->with_flush = u->stop == STOP_T2 && plc->sp.mistake != MISTAKE_NO_STOP_FLUSH;
    if (u->stop == STOP_T2 && !u->with_flush)
        u->debt = false;
    u->wait_ms = 0;
    go(u, S_COAST, why);
}

/* Does what the strongest cause of this scan asks; true when it changed the step. */
static bool stopped(const struct plc *plc, struct unit *u)
{
    enum cause why = u->stop_why;
    if (u->stop == STOP_NONE || u->step < S_FLUSH || u->step > S_CLOSE)
        return false;
    if (u->stop == STOP_T0) {
        go(u, rest(plc, u), why);
        return true;
    }
    if (pumping(u)) {
        stop_pump(plc, u, why);
        return true;
    }
    if (u->step == S_FLUSH || u->step == S_SETTLE) {
        u->cut_ms = u->step == S_FLUSH ? u->flush_ms : 0;
        u->cut_l = u->volume_l;
        close_down(u, true, why);
        return true;
    }
    if (u->stop != STOP_T1)
        return false;
    u->with_flush = false;
    if (u->step != S_STOPFLUSH && u->step != S_SLOT)
        return false;
    close_down(u, true, why);
    return true;
}

/* --- steps at rest ------------------------------------------------------------------------------------------------ */

static void at_rest(const struct plc *plc, struct unit *u)
{
    enum step to = rest(plc, u);
    enum cause why = u->step == S_OFF ? C_AUTO : u->step == S_MAINT ? C_RETURN : C_RESET;
    if (u->step == S_RETRY)
        why = C_NONE;
    if (to == S_LOCKOUT || to == S_ESTOP || to == S_MAINT || to == S_OFF)
        why = u->stop_why != C_NONE ? u->stop_why : u->first_out;
    if (u->step == S_ESTOP && to == S_STANDBY)
        to = S_BOOT;
    if (u->step != to)
        go(u, to, why);
}

static void boot(const struct plc *plc, struct unit *u, const struct unit_in *in)
{
    enum step to = rest(plc, u);
    if (in->age_ms > ms(plc->sp.io_stale_s))
        u->step_ms = 0;
    if (u->step_ms >= ms(plc->sp.boot_s))
        go(u, to, C_NONE);
}

static bool ready_to_start(const struct plc *plc, const struct unit *u)
{
    return u->call && plc->bank.start_ok && u->io_back.q && u->suction.good && u->membrane.good && u->cond.good &&
           u->rest_ms >= ms(plc->sp.min_off_s) && hour_count(&u->starts) < (int)plc->sp.max_starts_per_h;
}

static bool ready_to_repay(const struct plc *plc, const struct unit *u)
{
    bool turn = plc->bank.blind ? blind_turn(plc, u) : !plc->bank.stale;
    bool resumed = !plc->bank.returned || plc->bank.up_ms >= ms(plc->sp.resume_s);
    return u->debt && !u->call && u->debt_wait_ms == 0 && plc->bank.flush_ok && u->io_back.q && u->suction.good &&
           turn && resumed && !plc->bank.resume_hold;
}

static void begin_flush(const struct plc *plc, struct unit *u, enum step step)
{
    bool resume = plc->sp.mistake == MISTAKE_FLUSH_RESUMED && step == S_FLUSH;
    u->flush_ms = resume ? u->cut_ms : 0;
    u->volume_l = resume && u->cut_ms > 0 ? u->cut_l : 0;
    if (step == S_FLUSH)
        u->cut_ms = 0;
    u->debt = true; /* until it is done to the end */
    go(u, step, C_NONE);
}

static void standby(const struct plc *plc, struct unit *u)
{
    enum step to = rest(plc, u);
    if (to != S_STANDBY)
        go(u, to, u->stop_why);
    else if (u->call && u->retry_ms == 0 && plc->bank.start_ok)
        go(u, S_WAIT, C_NONE);
    else if (ready_to_repay(plc, u) && has_slot(plc, u) && plc->bank.water_ready)
        begin_flush(plc, u, S_STOPFLUSH);
}

static void wait(const struct plc *plc, struct unit *u)
{
    enum step to = rest(plc, u);
    if (to != S_STANDBY)
        go(u, to, u->stop_why);
    else if (!u->call || !plc->bank.start_ok)
        go(u, S_STANDBY, u->call ? C_BLOCKED : C_CALL);
    else if (ready_to_start(plc, u) && u->slot && plc->bank.dose_ready)
        begin_flush(plc, u, S_FLUSH);
}

/* --- steps that move ---------------------------------------------------------------------------------------------- */

/* Whole: its time without a break and its volume, as far as that can be measured. */
static bool flushed(const struct unit *u, double time_s, double volume_l)
{
    return u->flush_ms >= ms(time_s) && (u->volume_l >= volume_l || !u->concentrate.good);
}

static void start_flush(const struct plc *plc, struct unit *u)
{
    if (flushed(u, plc->sp.start_flush_s, plc->sp.start_flush_volume_l)) {
        u->debt = false;
        go(u, S_SETTLE, C_NONE);
    } else if (!u->slot) {
        close_down(u, true, C_LEASE);
    }
}

static void settle(struct plc *plc, struct unit *u)
{
    const struct setpoints *sp = &plc->sp;
    bool shut = !u->concentrate.good || u->concentrate.value < sp->settled_flow_m3h;
    bool water = u->suction.ok && u->suction.value >= sp->settled_suction_bar;
    if (u->step_ms >= ms(sp->settle_s) && shut && water && may_start_pump(plc, u)) {
        u->pump_ms = 0;
        u->since_flush_ms = UINT32_MAX;
        go(u, S_START, C_NONE);
    } else if (u->step_ms >= ms(sp->settle_s + sp->start_slot_wait_s)) {
        close_down(u, false, C_SLOT);
    }
}

static void start(const struct plc *plc, struct unit *u, const struct unit_in *in)
{
    bool pressure = u->membrane.ok && u->membrane.value >= plc->sp.pressure_rise_bar;
    if (!u->out.pump || !in->pump_running || !pressure)
        return;
    u->purge_ms = u->purge_wait_ms = 0;
    u->purge_fails = 0;
    u->reference_bar = 0;
    go(u, S_RUN, C_NONE);
}

/* Above the lockout level its own timer alone decides: a flush would start it anew. */
static bool wants_qflush(const struct plc *plc, const struct unit *u)
{
    return u->want_qflush && u->cond.value * plc->sp.tds_per_us <= plc->sp.tds_lockout_mgl;
}

static void run(const struct plc *plc, struct unit *u)
{
    const struct setpoints *sp = &plc->sp;
    bool due = u->purge_ms >= ms(sp->purge_interval_s) && u->purge_wait_ms == 0;
    bool purge = due && sp->mistake != MISTAKE_NO_PURGE;
    if (u->step_ms >= ms(sp->pressure_rise_s) && u->membrane.ok && u->reference_bar == 0)
        u->reference_bar = u->membrane.value;
    u->evidence = false;
    if (u->slot && wants_qflush(plc, u)) {
        hour_add(&u->qflushes);
        go(u, S_QFLUSH, U_QUALITY);
    } else if (u->slot && purge) {
        go(u, S_PURGE, C_NONE);
    }
}

/* Flush valve open, pump on. It counts when its time ran to the end and it was seen to have an effect. */
static void running_flush(const struct plc *plc, struct unit *u, double time_s)
{
    const struct setpoints *sp = &plc->sp;
    double ratio = sp->purge_evidence_ratio * u->reference_bar;
    if (u->concentrate.ok && u->concentrate.value > sp->purge_evidence_flow_m3h)
        u->evidence = true;
    if (u->membrane.ok && u->membrane.value < ratio)
        u->evidence = true;
    bool vain = !u->evidence && u->step_ms >= ms(sp->purge_evidence_s);
    bool done = u->step_ms >= ms(time_s);
    if (vain) {
        u->purge_fails++;
        u->purge_wait_ms = ms(sp->purge_retry_s);
    } else if (done) {
        u->purge_fails = 0;
        u->purge_ms = 0;
    }
    if (vain || done || !u->slot) {
        u->since_flush_ms = 0;
        go(u, S_RUN, vain ? U_NO_PURGE : done ? C_NONE : C_LEASE);
    }
}

static void coast(struct plc *plc, struct unit *u, const struct unit_in *in)
{
    if (u->step_ms < ms(plc->sp.coast_s) || in->pump_running)
        return;
    if (u->with_flush && u->slot && plc->bank.flush_ok)
        begin_flush(plc, u, S_STOPFLUSH);
    else if (u->with_flush && !plc->bank.blind)
        go(u, S_SLOT, C_SLOT);
    else
        close_down(u, false, u->why);
}

static void slot_wait(struct plc *plc, struct unit *u)
{
    if (u->with_flush && u->slot && plc->bank.flush_ok)
        begin_flush(plc, u, S_STOPFLUSH);
    else if (u->step_ms >= ms(plc->sp.token_wait_s) || !u->with_flush)
        close_down(u, false, C_SLOT);
}

static void stop_flush(const struct plc *plc, struct unit *u)
{
    const struct setpoints *sp = &plc->sp;
    if (flushed(u, sp->stop_flush_s, sp->stop_flush_volume_l)) {
        u->debt = false;
        u->idle_ms = 0;
        close_down(u, true, C_NONE);
    } else if (u->flush_ms >= 3 * ms(sp->stop_flush_s) || !has_slot(plc, u)) {
        u->debt_wait_ms = DEBT_AGAIN_MS;
        close_down(u, true, has_slot(plc, u) ? C_NO_VOLUME : C_LEASE);
    }
}

/* Feed valve first, flush valve after the tail. */
static void closing(struct plc *plc, struct unit *u)
{
    if (u->out.feed_valve) {
        u->step_ms = 0;
        return;
    }
    if (!u->tail || u->step_ms >= ms(plc->sp.flush_tail_s))
        go(u, rest(plc, u), u->why);
}

/* --- what the unit asks of the others ----------------------------------------------------------------------------- */

static int asks(const struct plc *plc, const struct unit *u)
{
    uint32_t interval = ms(plc->sp.purge_interval_s);
    switch (u->step) {
    case S_COAST:
    case S_SLOT:
        return u->with_flush ? 1 : 0;
    case S_WAIT:
        return ready_to_start(plc, u) && (!plc->bank.water_ready || plc->bank.dose_ready) ? 2 : 0;
    case S_RUN:
        if (wants_qflush(plc, u))
            return QUALITY_PRIORITY;
        if (u->purge_ms < interval || u->purge_wait_ms > 0 || plc->sp.mistake == MISTAKE_NO_PURGE)
            return 0;
        return u->purge_ms >= interval + interval / 2 ? QUALITY_PRIORITY : 4;
    case S_STANDBY:
        return ready_to_repay(plc, u) && !u->call ? 5 : 0;
    default:
        return 0;
    }
}

/* --- outputs of a step, and the rules that stand above all steps --------------------------------------------------- */

static void outputs(struct plc *plc, struct unit *u, const struct unit_in *in)
{
    const struct setpoints *sp = &plc->sp;
    struct unit_out o = {.divert = u->out.divert && u->step == S_RUN};
    bool coasting = u->step == S_COAST && u->step_ms < ms(sp->coast_s);
    bool wrong = sp->mistake == MISTAKE_PUMP_RUNS_ON && coasting;
    bool shut = u->step == S_COAST && sp->mistake == MISTAKE_PUMP_RUNS_ON;
    bool flush_step = u->step == S_FLUSH || u->step == S_STOPFLUSH;
    o.flush_valve = flush_step || u->step == S_PURGE || u->step == S_QFLUSH || (u->step == S_CLOSE && u->tail);
    o.enable = pumping(u) || wrong;
    o.pump = (pumping(u) && (u->step != S_START || u->step_ms >= ms(sp->enable_lead_s))) || wrong;
    if (flush_step)
        o.feed_valve = u->out.feed_valve || u->step_ms >= ms(sp->flush_lead_s);
    else if (u->step == S_SLOT || u->step == S_CLOSE)
        o.feed_valve = u->out.feed_valve && !may_close_feed(plc, u);
    else
        o.feed_valve = (pumping(u) || u->step == S_SETTLE || u->step == S_COAST) && !shut;

    bool dead = in->age_ms > ms(sp->io_stale_s) || !in->isolator_on || u->off_ms > 4800 || plc->bank.estop;
    if (dead)
        o = (struct unit_out){0};
    if (!o.feed_valve && !wrong)
        o.pump = false;
    o.beacon = unit_latched(u) || u->quality_alarm;
    u->out = o;
}

/* --- counters ----------------------------------------------------------------------------------------------------- */

static void down(uint32_t *counter_ms, uint32_t dt_ms)
{
    *counter_ms = *counter_ms > dt_ms ? *counter_ms - dt_ms : 0;
}

static void count(const struct plc *plc, struct unit *u)
{
    uint32_t dt = plc->dt_ms;
    bool both = u->out.feed_valve && u->out.flush_valve && !u->out.pump;
    count_up(&u->step_ms, dt);
    count_up(&u->since_flush_ms, dt);
    count_up(&u->wait_ms, dt);
    count_up(&u->idle_ms, dt);
    if (both) {
        count_up(&u->both_ms, dt);
        count_up(&u->flush_ms, dt);
        if (u->concentrate.ok)
            u->volume_l += u->concentrate.value / 3600.0 * dt;
    } else {
        u->both_ms = 0;
    }
    if (u->out.pump) {
        u->rest_ms = 0;
        count_up(&u->pump_ms, dt);
        count_up(&u->purge_ms, dt);
        count_up(&u->run_part_ms, dt);
    } else {
        count_up(&u->rest_ms, dt);
    }
    if (u->run_part_ms >= 1000) {
        u->run_total_s += u->run_part_ms / 1000;
        u->run_part_ms %= 1000;
    }
    if (u->out.pump && u->pump_ms >= ms(60 * plc->sp.suction_forgive_min))
        hour_clear(&u->retries);
    if (plc->sp.stagnation_h > 0 && u->step == S_STANDBY && u->idle_ms / 1000 >= 3600 * plc->sp.stagnation_h)
        u->debt = true;
    down(&u->retry_ms, dt);
    down(&u->demand_rest_ms, dt);
    down(&u->debt_wait_ms, dt);
    down(&u->purge_wait_ms, dt);
    if (u->retry_ms == 0)
        u->io_trip = false;
    hour_pass(&u->starts, dt);
    hour_pass(&u->retries, dt);
    hour_pass(&u->qflushes, dt);
    hour_pass(&u->io_losses, dt);
}

static void step(struct plc *plc, struct unit *u, const struct unit_in *in)
{
    switch (u->step) {
    case S_BOOT: boot(plc, u, in); break;
    case S_OFF:
    case S_MAINT:
    case S_LOCKOUT:
    case S_ESTOP:
    case S_RETRY: at_rest(plc, u); break;
    case S_STANDBY: standby(plc, u); break;
    case S_WAIT: wait(plc, u); break;
    case S_FLUSH: start_flush(plc, u); break;
    case S_SETTLE: settle(plc, u); break;
    case S_START: start(plc, u, in); break;
    case S_RUN: run(plc, u); break;
    case S_PURGE: running_flush(plc, u, plc->sp.purge_s); break;
    case S_QFLUSH: running_flush(plc, u, plc->sp.quality_flush_s); break;
    case S_COAST: coast(plc, u, in); break;
    case S_SLOT: slot_wait(plc, u); break;
    case S_STOPFLUSH: stop_flush(plc, u); break;
    case S_CLOSE: closing(plc, u); break;
    default: go(u, S_BOOT, C_NONE); break;
    }
}

void unit_steps(struct plc *plc, struct unit *u, const struct unit_in *in)
{
    bool pump_was_on = u->out.pump;
    if (plc->scanned)
        count(plc, u);
    if (!stopped(plc, u))
        step(plc, u, in);
    outputs(plc, u, in);
    if (u->out.pump && !pump_was_on) {
        hour_add(&u->starts);
        u->debt = true;
    }
    int ask = asks(plc, u);
    if (ask != u->ask)
        u->wait_ms = 0;
    u->ask = ask;
}
