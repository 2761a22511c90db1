/* How the files of the program call each other. */
#ifndef PLC_PARTS_H
#define PLC_PARTS_H

#include "logic.h"

#define DEBT_AGAIN_MS 120000u /* before a stop flush that came to nothing is tried again */

/* bank.c: shared loops, shared causes, what is permitted */
void bank_look(struct plc *plc, const struct inputs *in);
bool bank_latched(const struct bank *bank, enum cause cause);

/* supply.c: booster, header, dosing */
void supply(struct plc *plc);

/* coordinate.c: which units are called, which have a slot */
void demand(struct plc *plc);
void slots(struct plc *plc);
bool may_close_feed(struct plc *plc, const struct unit *u);
bool may_start_pump(struct plc *plc, const struct unit *u);
int slot_count(const struct plc *plc);

/* trips.c: what stops a unit */
void unit_look(struct plc *plc, struct unit *u, const struct unit_in *in);
void unit_trips(struct plc *plc, struct unit *u, const struct unit_in *in, bool reset);
bool unit_latched(const struct unit *u);
bool pumping(const struct unit *u);

/* rest.c: a unit at rest */
enum step rest_step(const struct plc *plc, const struct unit *u);
bool unit_available(const struct plc *plc, const struct unit *u);
bool has_slot(const struct plc *plc, const struct unit *u);
bool ready_to_start(const struct plc *plc, const struct unit *u);
bool ready_to_repay(const struct plc *plc, const struct unit *u);
void step_at_rest(const struct plc *plc, struct unit *u);
void step_boot(const struct plc *plc, struct unit *u, const struct unit_in *in);
void step_standby(const struct plc *plc, struct unit *u);
void step_wait(const struct plc *plc, struct unit *u);

/* steps.c: a unit with open valves */
void go(struct unit *u, enum step step, enum cause why);
void close_down(struct unit *u, bool with_tail, enum cause why);
void begin_flush(const struct plc *plc, struct unit *u, enum step step);
bool wants_qflush(const struct plc *plc, const struct unit *u);
void step_start_flush(const struct plc *plc, struct unit *u);
void step_settle(struct plc *plc, struct unit *u);
void step_start(const struct plc *plc, struct unit *u, const struct unit_in *in);
void step_run(const struct plc *plc, struct unit *u);
void step_running_flush(const struct plc *plc, struct unit *u, double time_s);
void step_coast(const struct plc *plc, struct unit *u, const struct unit_in *in);
void step_slot_wait(const struct plc *plc, struct unit *u);
void step_stop_flush(const struct plc *plc, struct unit *u);
void step_closing(const struct plc *plc, struct unit *u);

/* sequence.c: one scan of a unit */
void unit_scan(struct plc *plc, struct unit *u, const struct unit_in *in);

#endif
