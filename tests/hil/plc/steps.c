/* The steps in which a unit has its valves open. */
#include "parts.h"

void go(struct unit *u, enum step step, enum cause why)
{
    u->step = step;
    u->step_ms = 0;
    u->why = why;
}

void close_down(struct unit *u, bool with_tail, enum cause why)
{
    u->tail = with_tail && u->out.flush_valve;
    go(u, S_CLOSE, why);
}

void begin_flush(const struct plc *plc, struct unit *u, enum step step)
{
    bool resume = plc->sp.mistake == MISTAKE_FLUSH_RESUMED && step == S_FLUSH;
    u->flush_ms = resume ? u->cut_ms : 0;
    u->volume_l = resume && u->cut_ms > 0 ? u->cut_l : 0;
    if (step == S_FLUSH)
        u->cut_ms = 0;
    u->debt = true; /* until it is done to the end */
    go(u, step, C_NONE);
}

/* Whole: its time without a break and its volume, as far as that can be measured. */
static bool flushed(const struct unit *u, double time_s, double volume_l)
{
    return u->flush_ms >= ms(time_s) && (u->volume_l >= volume_l || !u->concentrate.good);
}

void step_start_flush(const struct plc *plc, struct unit *u)
{
    if (flushed(u, plc->sp.start_flush_s, plc->sp.start_flush_volume_l)) {
        u->debt = false;
        u->flushed = true;
        go(u, S_SETTLE, C_NONE);
    } else if (!u->slot) {
        close_down(u, true, C_LEASE);
    }
}

void step_settle(struct plc *plc, struct unit *u)
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

void step_start(const struct plc *plc, struct unit *u, const struct unit_in *in)
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
bool wants_qflush(const struct plc *plc, const struct unit *u)
{
    return u->want_qflush && u->cond.value * plc->sp.tds_per_us <= plc->sp.tds_lockout_mgl;
}

void step_run(const struct plc *plc, struct unit *u)
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
void step_running_flush(const struct plc *plc, struct unit *u, double time_s)
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

void step_coast(const struct plc *plc, struct unit *u, const struct unit_in *in)
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

void step_slot_wait(const struct plc *plc, struct unit *u)
{
    if (u->with_flush && u->slot && plc->bank.flush_ok)
        begin_flush(plc, u, S_STOPFLUSH);
    else if (u->step_ms >= ms(plc->sp.token_wait_s) || !u->with_flush)
        close_down(u, false, C_SLOT);
}

void step_stop_flush(const struct plc *plc, struct unit *u)
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
void step_closing(const struct plc *plc, struct unit *u)
{
    if (u->out.feed_valve) {
        u->step_ms = 0;
        return;
    }
    if (!u->tail || u->step_ms >= ms(plc->sp.flush_tail_s))
        go(u, rest_step(plc, u), u->why);
}
