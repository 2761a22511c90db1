/* A unit at rest: where it rests, what it waits for, when it may go. */
#include "parts.h"

#define BLIND_MARGIN_S 30.0 /* for the booster, which starts anew for each flush */
#define BLIND_WINDOW_MS 25000u

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
enum step rest_step(const struct plc *plc, const struct unit *u)
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

/* --- steps at rest ------------------------------ */

void step_at_rest(const struct plc *plc, struct unit *u)
{
    enum step to = rest_step(plc, u);
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

void step_boot(const struct plc *plc, struct unit *u, const struct unit_in *in)
{
    enum step to = rest_step(plc, u);
    if (in->age_ms > ms(plc->sp.io_stale_s))
        u->step_ms = 0;
    if (u->step_ms >= ms(plc->sp.boot_s))
        go(u, to, C_NONE);
}

bool ready_to_start(const struct plc *plc, const struct unit *u)
{
    return u->call && plc->bank.start_ok && u->io_back.q && u->suction.good && u->membrane.good &&
           u->cond.good && u->rest_ms >= ms(plc->sp.min_off_s) &&
           hour_count(&u->starts) < (int)plc->sp.max_starts_per_h;
}

bool ready_to_repay(const struct plc *plc, const struct unit *u)
{
    bool turn = plc->bank.blind ? blind_turn(plc, u) : !plc->bank.stale;
    bool resumed = !plc->bank.returned || plc->bank.up_ms >= ms(plc->sp.resume_s);
    return u->debt && !u->call && u->debt_wait_ms == 0 && plc->bank.flush_ok && u->io_back.q &&
           u->suction.good && turn && resumed && !plc->bank.resume_hold;
}

void step_standby(const struct plc *plc, struct unit *u)
{
    enum step to = rest_step(plc, u);
    if (to != S_STANDBY)
        go(u, to, u->stop_why);
    else if (u->call && u->retry_ms == 0 && plc->bank.start_ok)
        go(u, S_WAIT, C_NONE);
    else if (ready_to_repay(plc, u) && has_slot(plc, u) && plc->bank.water_ready)
        begin_flush(plc, u, S_STOPFLUSH);
}

void step_wait(const struct plc *plc, struct unit *u)
{
    enum step to = rest_step(plc, u);
    if (to != S_STANDBY)
        go(u, to, u->stop_why);
    else if (!u->call || !plc->bank.start_ok)
        go(u, S_STANDBY, u->call ? C_BLOCKED : C_CALL);
    else if (ready_to_start(plc, u) && u->slot && plc->bank.dose_ready)
        begin_flush(plc, u, S_FLUSH);
}
