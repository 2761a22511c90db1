/* What the units share: loops, causes that stop them all, and what is permitted. */
#include "parts.h"

#define HEARTBEAT_LOST_MS 5000u
#define HEARTBEAT_BACK_MS 30000u
#define HEADER_BAD_MS 10000u
#define CLEAR_MS 10000u
#define DRY_MS 30000u
#define SUMP_CLEAR_MS 60000u
#define PRESS_LEAST_MS 100u
#define PRESS_MOST_MS 3000u
#define NO_BOOSTER_MS 5000u

bool bank_latched(const struct bank *b, enum cause cause)
{
    return b->latched[cause - FIRST_B].q;
}

static void loops(struct bank *b, const struct bank_in *in, uint32_t now)
{
    ain(&b->header, in->header_ma, 0, 6, now);
    ain(&b->flow, in->feed_flow_ma, 0, 60, now);
    ain(&b->temp, in->feed_temp_ma, 0, 60, now);
    ain(&b->chlorine, in->chlorine_ma, 0, 2, now);
    ain(&b->level, in->tank_level_ma, 0, 100, now);
}

/* A reset is a press that was let go after 0.1 to 3 s. One begun before the E-stop was healthy is none. */
static void reset_button(struct plc *plc, const struct bank_in *in)
{
    struct bank *b = &plc->bank;
    bool let_go = !in->reset_button && b->press_ms > 0;
    b->reset = let_go && b->press_clean && b->press_ms >= PRESS_LEAST_MS && b->press_ms <= PRESS_MOST_MS;
    if (in->reset_button) {
        b->press_clean = (b->press_ms == 0 || b->press_clean) && in->estop_healthy;
        count_up(&b->press_ms, plc->dt_ms ? plc->dt_ms : 1);
    } else {
        b->press_ms = 0;
    }
    b->reset = b->reset || (in->command & CMD_RESET);
}

static void estop(struct bank *b, const struct bank_in *in)
{
    if (!in->estop_healthy)
        b->estop = true;
    else if (b->reset)
        b->estop = false;
}

/* One shared cause: `trip` has had its delay, `present` has not. */
static void shared(struct plc *plc, enum cause cause, bool trip, bool present, uint32_t clear_ms)
{
    struct bank *b = &plc->bank;
    latch(&b->latched[cause - FIRST_B], trip, present, clear_ms, b->reset, plc->now_ms);
}

static void shared_water(struct plc *plc)
{
    struct bank *b = &plc->bank;
    const struct setpoints *sp = &plc->sp;
    uint32_t now = plc->now_ms, held = ms(sp->water_trip_s);
    bool oxidant = ton(&b->oxidant, b->chlorine.ok && b->chlorine.value > sp->chlorine_trip_mgl, held, now);
    bool unknown = ton(&b->chlorine_bad, b->chlorine.bad, ms(sp->bank_sensor_bad_s), now);
    bool clean = b->chlorine.good && b->chlorine.value < sp->chlorine_clear_mgl;
    shared(plc, B_OXIDANT, oxidant || unknown, !clean, ms(sp->water_good_s));
    bool hot = ton(&b->hot, b->temp.ok && b->temp.value > sp->temp_trip_degc, held, now);
    bool cool = b->temp.good && b->temp.value < sp->temp_clear_degc;
    shared(plc, B_HOT, hot, !cool, ms(sp->water_good_s));
    bool inside = b->chlorine.good && b->chlorine.value <= sp->chlorine_trip_mgl && b->temp.good &&
                  b->temp.value <= sp->temp_trip_degc;
    ton(&b->water_good, inside, ms(sp->water_good_s), now);
}

static void shared_contacts(struct plc *plc, const struct bank_in *in)
{
    struct bank *b = &plc->bank;
    const struct setpoints *sp = &plc->sp;
    uint32_t now = plc->now_ms, leak = ms(sp->leak_s);
    bool float_open = !in->tank_not_overfull && sp->mistake != MISTAKE_FLOAT_IGNORED;
    shared(plc, B_FLOAT, float_open, float_open, CLEAR_MS);
    shared(plc, B_FLOOR, ton(&b->leak, !in->floor_dry, leak, now), !in->floor_dry, DRY_MS);
    shared(plc, B_SUMP, ton(&b->sump, !in->sump_ok, leak, now), !in->sump_ok, SUMP_CLEAR_MS);
    b->antiscalant_low = ton(&b->tank_low, !in->antiscalant_ok, leak, now);
    bool grace_over = ton(&b->grace, !in->antiscalant_ok, ms(60 * sp->antiscalant_grace_min), now);
    shared(plc, B_ANTISCALANT, grace_over, !in->antiscalant_ok, leak);
    bool silent = ton(&b->no_booster, b->out.booster_run && !in->booster_running, NO_BOOSTER_MS, now);
    bool lost = !in->drive_healthy || !in->source_wet;
    shared(plc, B_BOOSTER, lost || silent, lost, CLEAR_MS);
}

/* A dose shows in strokes only; time without one counts while the pump is told to dose into a flow. */
static void shared_dosing(struct plc *plc, const struct bank_in *in)
{
    struct bank *b = &plc->bank;
    bool stroke = r_trig(&b->pulse, in->dosing_pulse) && in->dosing_healthy;
    bool feeding = false;
    for (int i = 0; i < plc->n_units; i++)
        feeding |= pumping(&plc->unit[i]) || plc->unit[i].both_ms > 0;
    if (stroke)
        b->dose_proven = true;
    if (stroke || !feeding)
        b->silent_ms = 0;
    else if (!b->stale)
        count_up(&b->silent_ms, plc->dt_ms);
    shared(plc, B_DOSING, b->silent_ms >= ms(plc->sp.dosing_lost_s), !in->dosing_healthy, 0);
    shared(plc, B_HEADER, false, false, 0);
}

/* Why all calls are withdrawn. A unit then stops in the ordinary way, with its flush. */
static void calls(struct plc *plc, const struct bank_in *in)
{
    struct bank *b = &plc->bank;
    const struct setpoints *sp = &plc->sp;
    uint32_t now = plc->now_ms, patience = ms(sp->bank_sensor_bad_s);
    bool unknown = ton(&b->level_bad, b->level.bad, patience, now);
    unknown |= ton(&b->temp_bad, b->temp.bad, patience, now);
    unknown |= ton(&b->header_bad, b->header.bad, HEADER_BAD_MS, now);
    bool full = b->level.ok && b->level.value >= sp->tank_stop_pct;
    bool told = !in->bank_run;
    b->calls_off = unknown || full || told;
    b->calls_off_why = told ? C_STOP : C_CALL;
}

static void permits(struct plc *plc, const struct bank_in *in)
{
    struct bank *b = &plc->bank;
    const struct setpoints *sp = &plc->sp;
    uint32_t now = plc->now_ms;
    bool boot = ton(&b->boot, true, ms(sp->boot_s), now);
    bool sound =
        in->estop_healthy && in->supply_healthy && b->header.good && b->temp.good && b->chlorine.good;
    bool healthy = ton(&b->healthy, sound && !b->stale, ms(sp->health_s), now);
    bool back = ton(&b->back, !b->stale, HEARTBEAT_BACK_MS, now);
    bool bad_water = bank_latched(b, B_HOT) || bank_latched(b, B_OXIDANT) || !b->water_good.q;
    bool latched = bank_latched(b, B_FLOAT) || bank_latched(b, B_FLOOR) || bank_latched(b, B_SUMP) ||
                   bank_latched(b, B_BOOSTER) || bank_latched(b, B_HEADER);
    bool known = !b->stale || b->blind;
    b->flush_ok =
        boot && !b->estop && !latched && !bad_water && known && (healthy || b->blind) && in->sump_ok;
    bool dose = !b->antiscalant_low && !bank_latched(b, B_ANTISCALANT) && !bank_latched(b, B_DOSING);
    b->level_known = b->level.good;
    b->start_ok = b->flush_ok && dose && back && b->level_known && !b->calls_off && !b->resume_hold;
    bool low = b->header.ok && b->header.value < sp->header_low_bar && b->supply == 30 && !b->stale;
    b->header_lost = ton(&b->low, low, ms(sp->header_low_s), now);
    bool near =
        b->header.ok && b->header.value > sp->header_bar - 0.3 && b->header.value < sp->header_bar + 0.3;
    ton(&b->steady, near, ms(5), now);
}

/* An image that has stopped changing is no measurement: nothing is concluded from it, and after 5 s the bank
 * is blind: all units stop, and flush one after another by time alone. */
static void freshness(struct plc *plc, const struct bank_in *in)
{
    struct bank *b = &plc->bank;
    b->stale = in->age_ms > ms(plc->sp.io_stale_s);
    b->blind = in->age_ms >= HEARTBEAT_LOST_MS;
    if (b->blind)
        count_up(&b->blind_ms, plc->dt_ms);
    else
        b->blind_ms = 0;
}

void bank_look(struct plc *plc, const struct inputs *in)
{
    struct bank *b = &plc->bank;
    count_up(&b->up_ms, plc->dt_ms);
    count_up(&b->since_close_ms, plc->dt_ms);
    count_up(&b->since_start_ms, plc->dt_ms);
    if (b->up_ms > ms(60 * plc->sp.brownout_min))
        b->returns = 0;
    freshness(plc, &in->bank);
    if (!b->stale) {
        loops(b, &in->bank, plc->now_ms);
        reset_button(plc, &in->bank);
        estop(b, &in->bank);
        shared_water(plc);
        shared_contacts(plc, &in->bank);
        shared_dosing(plc, &in->bank);
        calls(plc, &in->bank);
    } else {
        b->reset = false;
    }
    if (b->reset || (in->bank.command & CMD_START))
        b->resume_hold = false;
    permits(plc, &in->bank);
}
