/* One scan of a unit: a stop that stands, or else its step; then its outputs, and what it asks of others. */
#include "parts.h"

#define QUALITY_PRIORITY 3
#define DEAD_MS 4800u /* so long after the selector has gone OFF nothing is driven, whatever it waits for */

/* --- stops ------------------------------ */

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
        go(u, rest_step(plc, u), why);
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

/* --- what the unit asks of the others ------------------------------ */

static int asks(const struct plc *plc, const struct unit *u)
{
    uint32_t interval = ms(plc->sp.purge_interval_s);
    switch (u->step) {
    case S_COAST:
    case S_SLOT: return u->with_flush ? 1 : 0;
    case S_WAIT: return ready_to_start(plc, u) && (!plc->bank.water_ready || plc->bank.dose_ready) ? 2 : 0;
    case S_RUN:
        if (wants_qflush(plc, u))
            return QUALITY_PRIORITY;
        if (u->purge_ms < interval || u->purge_wait_ms > 0 || plc->sp.mistake == MISTAKE_NO_PURGE)
            return 0;
        return u->purge_ms >= interval + interval / 2 ? QUALITY_PRIORITY : 4;
    case S_STANDBY: return ready_to_repay(plc, u) && !u->call ? 5 : 0;
    default: return 0;
    }
}

/* --- outputs of a step, and the rules that stand above all steps ------------------------------ */

static void outputs(struct plc *plc, struct unit *u, const struct unit_in *in)
{
    const struct setpoints *sp = &plc->sp;
    struct unit_out o = {.divert = u->out.divert && u->step == S_RUN};
    bool coasting = u->step == S_COAST && u->step_ms < ms(sp->coast_s);
    bool wrong = sp->mistake == MISTAKE_PUMP_RUNS_ON && coasting;
    bool shut = u->step == S_COAST && sp->mistake == MISTAKE_PUMP_RUNS_ON;
    bool flush_step = u->step == S_FLUSH || u->step == S_STOPFLUSH;
    o.flush_valve =
        flush_step || u->step == S_PURGE || u->step == S_QFLUSH || (u->step == S_CLOSE && u->tail);
    o.enable = pumping(u) || wrong;
    o.pump = (pumping(u) && (u->step != S_START || u->step_ms >= ms(sp->enable_lead_s))) || wrong;
    if (flush_step)
        o.feed_valve = u->out.feed_valve || u->step_ms >= ms(sp->flush_lead_s);
    else if (u->step == S_SLOT || u->step == S_CLOSE)
        o.feed_valve = u->out.feed_valve && !may_close_feed(plc, u);
    else
        o.feed_valve = (pumping(u) || u->step == S_SETTLE || u->step == S_COAST) && !shut;

    bool dead = in->age_ms > ms(sp->io_stale_s) || !in->isolator_on || u->off_ms > DEAD_MS || plc->bank.estop;
    if (dead)
        o = (struct unit_out){0};
    if (u->step < S_SETTLE || u->step > S_QFLUSH)
        u->flushed = false;
    if ((!o.feed_valve || !u->flushed) && !wrong)
        o.pump = false;
    o.beacon = unit_latched(u) || u->quality_alarm;
    u->out = o;
}

/* --- counters ------------------------------ */

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
    case S_BOOT: step_boot(plc, u, in); break;
    case S_OFF:
    case S_MAINT:
    case S_LOCKOUT:
    case S_ESTOP:
    case S_RETRY: step_at_rest(plc, u); break;
    case S_STANDBY: step_standby(plc, u); break;
    case S_WAIT: step_wait(plc, u); break;
    case S_FLUSH: step_start_flush(plc, u); break;
    case S_SETTLE: step_settle(plc, u); break;
    case S_START: step_start(plc, u, in); break;
    case S_RUN: step_run(plc, u); break;
    case S_PURGE: step_running_flush(plc, u, plc->sp.purge_s); break;
    case S_QFLUSH: step_running_flush(plc, u, plc->sp.quality_flush_s); break;
    case S_COAST: step_coast(plc, u, in); break;
    case S_SLOT: step_slot_wait(plc, u); break;
    case S_STOPFLUSH: step_stop_flush(plc, u); break;
    case S_CLOSE: step_closing(plc, u); break;
    default: go(u, S_BOOT, C_NONE); break;
    }
}

void unit_scan(struct plc *plc, struct unit *u, const struct unit_in *in)
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
