/* The program: what is done in one scan, what is kept over a loss of power, and names for a caller. */
#include "parts.h"
#include <string.h>

#define MAGIC 0x524f4231u
#define HALF_SECOND_MS 500u

void plc_init(struct plc *plc, int n_units, const struct setpoints *sp)
{
    memset(plc, 0, sizeof *plc);
    plc->n_units = n_units < 1 ? 1 : n_units > PLC_MAX_UNITS ? PLC_MAX_UNITS : n_units;
    plc->sp = *sp;
    plc->bank.slots = slot_count(plc);
    plc->bank.since_change_ms = plc->bank.since_close_ms = plc->bank.since_start_ms = UINT32_MAX;
    for (int i = 0; i < plc->n_units; i++) {
        struct unit *u = &plc->unit[i];
        u->debt = true; /* whatever stood in the membranes is not known */
        u->since_flush_ms = UINT32_MAX;
        hour_clear(&u->starts);
        hour_clear(&u->retries);
        hour_clear(&u->qflushes);
        hour_clear(&u->io_losses);
        u->auto_edge.seen = true; /* a selector that stands in AUTO at power-up was not turned */
    }
}

static uint32_t alarms(const struct plc *plc)
{
    uint32_t n = plc->bank.estop || plc->bank.stale || plc->bank.antiscalant_low;
    for (int i = 0; i < N_B; i++)
        n += plc->bank.latched[i].q;
    for (int i = 0; i < plc->n_units; i++)
        n += unit_latched(&plc->unit[i]) || plc->unit[i].io_lost.q;
    return n;
}

void plc_scan(struct plc *plc, const struct inputs *in, struct outputs *out, uint32_t now_ms)
{
    plc->dt_ms = plc->scanned ? now_ms - plc->now_ms : 0;
    plc->now_ms = now_ms;
    bank_look(plc, in);
    demand(plc);
    slots(plc);
    /* from the highest unit down: that is the order in which feed valves shut after a shared trip */
    for (int i = plc->n_units - 1; i >= 0; i--) {
        struct unit *u = &plc->unit[i];
        struct unit_in image = in->unit[i];
        image.command |= in->bank.command & ~(uint32_t)CMD_MAINTAIN & ~(uint32_t)CMD_RETURN;
        unit_look(plc, u, &image);
        unit_trips(plc, u, &image, plc->bank.reset || (image.command & CMD_RESET));
        unit_scan(plc, u, &image);
        out->unit[i] = u->out;
    }
    supply(plc);
    struct bank_out *o = &plc->bank.out;
    o->alarm_relay = alarms(plc) == 0;
    o->horn = !o->alarm_relay;
    o->watchdog = (now_ms / HALF_SECOND_MS) & 1u;
    out->bank = *o;
    plc->scanned = true;
}

/* --- retained memory ------------------------------ */

/* Fowler-Noll-Vo, 32 bit: enough to notice that a copy was cut or damaged. */
static uint32_t check(const struct retained *kept)
{
    const unsigned char *bytes = (const unsigned char *)kept;
    uint32_t sum = 2166136261u;
    for (size_t i = 0; i < offsetof(struct retained, check); i++)
        sum = (sum ^ bytes[i]) * 16777619u;
    return sum;
}

void plc_retain(const struct plc *plc, struct retained *kept)
{
    memset(kept, 0, sizeof *kept);
    kept->magic = MAGIC;
    kept->n_units = plc->n_units;
    kept->returns = plc->bank.returns;
    kept->estop = plc->bank.estop;
    for (int i = 0; i < N_B; i++)
        kept->bank_latched |= (uint32_t)plc->bank.latched[i].q << i;
    for (int i = 0; i < plc->n_units; i++) {
        const struct unit *u = &plc->unit[i];
        for (int k = 0; k < N_U; k++)
            kept->unit[i].latched |= (uint32_t)u->latched[k].q << k;
        kept->unit[i].maint = u->maint;
        kept->unit[i].stopped = u->stopped;
        kept->unit[i].off = u->off;
        kept->unit[i].run_total_s = u->run_total_s;
        memcpy(kept->unit[i].start_age_ms, u->starts.age_ms, sizeof u->starts.age_ms);
    }
    kept->check = check(kept);
}

void plc_recall(struct plc *plc, const struct retained *kept)
{
    struct bank *b = &plc->bank;
    bool sound = kept->magic == MAGIC && kept->n_units == plc->n_units && kept->check == check(kept);
    b->returned = true;
    b->returns = sound ? kept->returns + 1 : 1;
    b->resume_hold = plc->sp.auto_resume == 0;
    b->estop = sound && kept->estop;
    for (int i = 0; i < N_B && sound; i++)
        b->latched[i].q = kept->bank_latched >> i & 1u;
    for (int i = 0; i < plc->n_units; i++) {
        struct unit *u = &plc->unit[i];
        u->latched[U_MEMORY - FIRST_U].q = !sound;
        if (!sound)
            continue;
        for (int k = 0; k < N_U; k++)
            u->latched[k].q = kept->unit[i].latched >> k & 1u;
        u->maint = kept->unit[i].maint;
        u->stopped = kept->unit[i].stopped;
        u->off = kept->unit[i].off;
        u->run_total_s = kept->unit[i].run_total_s;
        memcpy(u->starts.age_ms, kept->unit[i].start_age_ms, sizeof u->starts.age_ms);
    }
}

/* --- names for a caller ------------------------------ */

#define X(name) #name,
static const char *const setpoint_names[] = {PLC_SETPOINTS(X) "mistake", NULL};
static const char *const unit_di[] = {PLC_UNIT_DI(X) NULL};
static const char *const unit_ai[] = {PLC_UNIT_AI(X) NULL};
static const char *const bank_di[] = {PLC_BANK_DI(X) NULL};
static const char *const bank_ai[] = {PLC_BANK_AI(X) NULL};
static const char *const unit_do[] = {PLC_UNIT_DO(X) NULL};
static const char *const bank_do[] = {PLC_BANK_DO(X) NULL};
static const char *const bank_ao[] = {PLC_BANK_AO(X) NULL};
#undef X
#define X(id, text) text,
static const char *const cause_texts[] = {PLC_CAUSES(X)};
#undef X

const char *plc_name(enum plc_list list, int index)
{
    static const char *const *const lists[] = {setpoint_names, unit_di, unit_ai, bank_di,
                                               bank_ai,        unit_do, bank_do, bank_ao};
    for (int i = 0; i < index; i++)
        if (!lists[list][i])
            return NULL;
    return lists[list][index];
}

const char *plc_cause_text(int cause)
{
    return cause >= 0 && cause < N_CAUSES ? cause_texts[cause] : "";
}

size_t plc_size(int what)
{
    const size_t sizes[] = {sizeof(struct plc),     sizeof(struct setpoints), sizeof(struct inputs),
                            sizeof(struct outputs), sizeof(struct retained),  sizeof(struct unit_in),
                            sizeof(struct unit_out)};
    return what >= 0 && what < (int)(sizeof sizes / sizeof sizes[0]) ? sizes[what] : 0;
}

int plc_unit_step(const struct plc *plc, int unit)
{
    return (int)plc->unit[unit].step;
}

int plc_unit_cause(const struct plc *plc, int unit)
{
    return (int)plc->unit[unit].why;
}
