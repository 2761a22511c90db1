/* How the files of the program call each other. */
#ifndef PLC_PARTS_H
#define PLC_PARTS_H

#include "logic.h"

/* bank.c: shared loops, shared causes, what is permitted */
void bank_look(struct plc *plc, const struct inputs *in);
bool bank_latched(const struct bank *bank, enum cause cause);

/* supply.c: booster, header, dosing */
void supply(struct plc *plc, const struct bank_in *in);

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

/* sequence.c: the steps of a unit */
void unit_steps(struct plc *plc, struct unit *u, const struct unit_in *in);
bool unit_available(const struct plc *plc, const struct unit *u);
bool has_slot(const struct plc *plc, const struct unit *u);

#endif
