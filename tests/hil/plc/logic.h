/* A stand-in for the PLC of a bank of reverse osmosis units: one scan of its program.
 *
 * Written from the control narrative alone, as a second opinion on it: it shares neither code nor design
 * with the firmware of this project. No allocation, no input or output, no clock: the caller hands over the
 * image of the inputs and the time, and gets the image of the outputs. A `struct plc` holds no pointers and
 * may be copied.
 *
 * Not a safety system. It exists so that a bench can be shown to judge a stranger's program rightly. */
#ifndef PLC_LOGIC_H
#define PLC_LOGIC_H

#include "blocks.h"
#include <stddef.h>

#define PLC_MAX_UNITS 24

/* --- setpoints: names, units and meaning as on the site's setpoint sheet ------------------------------ */

#define PLC_SETPOINTS(X)                                                                                     \
    X(start_flush_s) X(start_flush_volume_l) X(start_flush_max_s) X(flush_lead_s) X(flush_tail_s)            \
    X(settle_s) X(start_slot_wait_s) X(flush_proof_m3h) X(settled_flow_m3h) X(settled_suction_bar)           \
    X(flush_shut_s)                                                                                          \
    X(stop_flush_s) X(stop_flush_volume_l) X(quality_flush_s) X(quality_flush_budget) X(stagnation_h)        \
    X(purge_interval_s) X(purge_s) X(purge_evidence_s) X(purge_evidence_flow_m3h) X(purge_evidence_ratio)    \
    X(purge_retry_s) X(coast_s) X(enable_lead_s) X(feedback_s) X(pressure_rise_s) X(pressure_rise_bar)       \
    X(min_off_s) X(max_starts_per_h) X(stagger_s) X(suction_trip_bar) X(suction_trip_s) X(suction_fast_bar)  \
    X(suction_fast_s) X(suction_blank_s) X(suction_retry_1_s) X(suction_retry_2_s) X(suction_retry_3_s)      \
    X(suction_retries) X(suction_forgive_min) X(discharge_trip_bar) X(discharge_trip_s) X(permeate_trip_s)   \
    X(tds_per_us) X(tds_alarm_mgl) X(tds_clear_mgl) X(tds_alarm_s) X(tds_lockout_mgl) X(tds_lockout_s)       \
    X(tds_blank_start_s) X(tds_blank_purge_s) X(quality_bad_s) X(leak_s) X(header_bar) X(header_ready_bar)   \
    X(header_ready_s) X(header_rise_max_s) X(header_low_bar) X(header_low_s) X(header_ramp_bar_s)            \
    X(booster_min_hz) X(booster_max_hz) X(water_good_s) X(temp_trip_degc) X(temp_clear_degc)                 \
    X(chlorine_trip_mgl) X(chlorine_clear_mgl) X(water_trip_s) X(health_s) X(dosing_proof_s)                 \
    X(dosing_lost_s) X(antiscalant_grace_min) X(dosing_ml_m3) X(dosing_full_ml_h) X(dosing_flow_min_m3h)     \
    X(bank_sensor_bad_s) X(unit_feed_m3h) X(unit_concentrate_m3h) X(flush_drain_m3h) X(flush_feed_m3h)       \
    X(booster_capacity_m3h) X(drain_capacity_m3h) X(token_wait_s) X(feed_close_gap_s) X(tank_stop_pct)       \
    X(tank_first_pct) X(tank_last_pct) X(tank_release_pct) X(demand_change_s) X(min_run_min)                 \
    X(min_rest_min) X(max_in_maintenance) X(boot_s) X(auto_resume) X(brownout_returns) X(brownout_min)       \
    X(resume_s) X(resume_step_s) X(io_stale_s) X(io_lost_s) X(io_back_s) X(io_retries)

/* Mistakes that may be planted, so that a bench can be seen to find them. */
enum mistake {
    MISTAKE_NONE,
    MISTAKE_FLUSH_RESUMED,   /* a start flush that was cut goes on where it stopped */
    MISTAKE_FLOAT_IGNORED,   /* the high-high float is not looked at */
    MISTAKE_STARTS_TOGETHER, /* one flush slot too many, and no pump waits for another */
    MISTAKE_PUMP_RUNS_ON,    /* in a stop the feed valve shuts first, and the pump runs on for the coast */
    MISTAKE_NO_STOP_FLUSH,   /* a stop ends without its flush, and none is owed */
    MISTAKE_NO_PURGE         /* no purge is ever due */
};

struct setpoints {
#define X(name) double name;
    PLC_SETPOINTS(X)
#undef X
    double mistake;
};

/* --- the input/output image: order and meaning of the I/O list; loops in mA ---------------------------- */

#define PLC_UNIT_DI(X)                                                                                       \
    X(selector_auto) X(isolator_on) X(pump_running) X(enable_closed) X(motor_healthy) X(suction_ok)          \
    X(discharge_ok) X(permeate_ok) X(skid_dry) X(feed_valve_shut) X(flush_valve_shut)
#define PLC_UNIT_AI(X)                                                                                       \
    X(suction_ma) X(membrane_ma) X(permeate_cond_ma) X(permeate_flow_ma) X(concentrate_flow_ma)
#define PLC_BANK_DI(X)                                                                                       \
    X(estop_healthy) X(supply_healthy) X(reset_button) X(bank_run) X(booster_running) X(drive_healthy)       \
    X(antiscalant_ok) X(dosing_running) X(dosing_pulse) X(dosing_healthy) X(tank_not_overfull)               \
    X(tank_above_low) X(source_wet) X(floor_dry) X(sump_ok)
#define PLC_BANK_AI(X)                                                                                       \
    X(header_ma) X(feed_flow_ma) X(feed_temp_ma) X(feed_cond_ma) X(chlorine_ma) X(booster_speed_ma)          \
    X(tank_level_ma) X(product_cond_ma)
#define PLC_UNIT_DO(X) X(feed_valve) X(flush_valve) X(pump) X(enable) X(divert) X(beacon)
#define PLC_BANK_DO(X) X(booster_run) X(dosing_run) X(alarm_relay) X(watchdog) X(horn)
#define PLC_BANK_AO(X) X(booster_speed_cmd_ma) X(dosing_rate_cmd_ma)

/* What a person asks for at a panel, one bit each, true for one scan. */
enum command {
    CMD_START = 1u,
    CMD_STOP = 2u,
    CMD_MAINTAIN = 4u,
    CMD_RETURN = 8u,
    CMD_RESET = 16u
};

#define X(name) bool name;
#define Y(name) double name;
struct unit_in {
    PLC_UNIT_DI(X)
    PLC_UNIT_AI(Y)
    uint32_t age_ms;  /* since the image of this unit last changed at its source */
    uint32_t command; /* enum command */
};
struct bank_in {
    PLC_BANK_DI(X)
    PLC_BANK_AI(Y)
    uint32_t age_ms;
    uint32_t command; /* to all units */
};
struct unit_out {
    PLC_UNIT_DO(X)
};
struct bank_out {
    PLC_BANK_DO(X)
    PLC_BANK_AO(Y)
};
#undef X
#undef Y

struct inputs {
    struct bank_in bank;
    struct unit_in unit[PLC_MAX_UNITS];
};
struct outputs {
    struct bank_out bank;
    struct unit_out unit[PLC_MAX_UNITS];
};

/* --- steps and causes ------------------------------ */

enum step {
    S_BOOT = 0,
    S_OFF = 10,
    S_MAINT = 20,
    S_STANDBY = 30,
    S_WAIT = 40,       /* called, waits for water, dose and a flush slot */
    S_FLUSH = 50,      /* start flush */
    S_SETTLE = 60,     /* flush valve shut, feed valve open */
    S_START = 70,      /* pump started, not yet proven */
    S_RUN = 80,
    S_PURGE = 90,
    S_QFLUSH = 100,    /* quality flush */
    S_COAST = 110,     /* pump off, feed valve still open */
    S_SLOT = 115,      /* feed valve shut, waits for a slot for the stop flush */
    S_STOPFLUSH = 120,
    S_CLOSE = 125,     /* feed valve, then flush valve, to rest */
    S_RETRY = 130,
    S_LOCKOUT = 140,
    S_ESTOP = 150
};

/* Why a step was left: C causes do not latch, U causes latch the unit, B causes the bank. */
#define PLC_CAUSES(X)                                                                                        \
    X(C_NONE, "step complete") X(C_STOP, "stop command") X(C_CALL, "call withdrawn")                         \
    X(C_SELECTOR, "selector off") X(C_ISOLATOR, "isolator off") X(C_MAINT, "maintenance asked for")          \
    X(C_RESET, "reset") X(C_AUTO, "selector turned to auto") X(C_RETURN, "returned to service")              \
    X(C_ESTOP, "emergency stop") X(C_SUPPLY, "supply fault") X(C_IO, "unit I/O stale")                       \
    X(C_HEARTBEAT, "bank image stale") X(C_SUCTION, "low suction, retry") X(C_HEADER, "header lost, retry")  \
    X(C_SLOT, "no slot in time") X(C_LEASE, "slot expired") X(C_OVERDUE, "purge overdue")                    \
    X(C_BLOCKED, "start not permitted") X(C_NO_VOLUME, "stop flush without volume")                          \
    X(U_SUCTION, "low suction, retries spent") X(U_QUALITY, "permeate quality")                              \
    X(U_PRESSURE, "membrane pressure high") X(U_PSHH, "discharge switch") X(U_MOTOR, "motor protector")      \
    X(U_FEEDBACK, "pump feedback missing") X(U_NO_PRESSURE, "no membrane pressure")                          \
    X(U_WELDED, "pump runs though off") X(U_PT1, "suction loop bad") X(U_AT5, "conductivity loop bad")       \
    X(U_PT2, "membrane loop bad") X(U_FEED_SHUT, "feed valve did not open")                                  \
    X(U_FLUSH_SHUT, "flush valve did not open") X(U_FLUSH_OPEN, "flush valve did not shut")                  \
    X(U_NO_VOLUME, "start flush without volume") X(U_NO_PURGE, "purge without effect")                       \
    X(U_SKID, "skid leak") X(U_PERMEATE, "permeate pressure") X(U_IO, "unit I/O lost too often")             \
    X(U_MEMORY, "retained data lost")                                                                        \
    X(B_FLOAT, "high-high float") X(B_FLOOR, "floor leak") X(B_SUMP, "drain sump high")                      \
    X(B_HOT, "feed too hot") X(B_OXIDANT, "oxidant in the feed") X(B_ANTISCALANT, "antiscalant low")         \
    X(B_DOSING, "no dosing stroke") X(B_BOOSTER, "booster or source") X(B_HEADER, "header did not come up")

enum cause {
#define X(id, text) id,
    PLC_CAUSES(X)
#undef X
    N_CAUSES,
    FIRST_U = U_SUCTION,
    FIRST_B = B_FLOAT,
    N_U = FIRST_B - FIRST_U,
    N_B = N_CAUSES - FIRST_B
};

/* How a unit is stopped, weakest first: with a flush; without one; all off at once. */
enum stop { STOP_NONE, STOP_T2, STOP_T1, STOP_T0 };

/* --- memory ------------------------------ */

struct unit {
    enum step step;
    uint32_t step_ms;
    enum cause why, first_out;
    struct unit_out out;

    struct ain suction, membrane, cond, permeate, concentrate;
    struct latch latched[N_U];
    enum stop stop; /* strongest of this scan */
    enum cause stop_why;

    bool call, stopped, maint, off; /* off: selector seen OFF, stays until it is turned to AUTO */
    bool debt, with_flush, tail, feed_seen, quality_alarm, want_qflush, evidence, io_trip, flushed;
    uint32_t off_ms, rest_ms, pump_ms, flush_ms, both_ms, since_flush_ms, purge_ms, purge_wait_ms;
    uint32_t retry_ms, debt_wait_ms, demand_rest_ms, wait_ms, idle_ms, run_total_s, run_part_ms;
    double volume_l, reference_bar;
    uint32_t cut_ms; /* what a start flush had reached when it was cut: looked at by a planted mistake only */
    double cut_l;
    int purge_fails;

    int ask; /* priority of the slot asked for, 1 first; 0 none */
    bool slot;
    uint32_t slot_ms;

    struct hour starts, retries, qflushes, io_losses;
    struct r_trig auto_edge;
    struct ton feed_open, low, gone, psll, high, permeate_high, leak, no_feedback, welded, cond_bad;
    struct ton membrane_bad, io_back, io_lost, alarm, lockout, good_water, no_flush, open_flush;
};

struct bank {
    struct bank_out out;
    struct ain header, flow, temp, chlorine, level;
    struct latch latched[N_B];
    bool estop, stale, blind, reset, flush_ok, start_ok, water_ready, dose_ready, level_known, header_lost;
    bool antiscalant_low, resume_hold, calls_off, returned;
    enum cause calls_off_why;
    int supply; /* 0 off, 10 pressure comes up, 20 dose is proven, 30 ready */
    uint32_t supply_ms, blind_ms, silent_ms, up_ms, press_ms;
    double speed_hz, ref_bar;
    bool dose_proven, press_clean;
    int wanted, slots, returns;
    uint32_t since_change_ms, since_close_ms, since_start_ms;
    struct r_trig pulse;
    struct ton boot, ready, steady, low, leak, sump, hot, oxidant, chlorine_bad, grace, tank_low, no_booster;
    struct ton level_bad, temp_bad, header_bad, water_good, healthy, no_feed, back, still;
};

struct plc {
    int n_units;
    struct setpoints sp;
    uint32_t now_ms, dt_ms;
    bool scanned;
    struct bank bank;
    struct unit unit[PLC_MAX_UNITS];
};

/* What outlasts a loss of power. The caller may keep it or lose it; a copy that was damaged is found out. */
struct retained {
    uint32_t magic;
    int32_t n_units, returns;
    uint32_t estop, bank_latched;
    struct {
        uint32_t latched, maint, stopped, off, run_total_s, start_age_ms[HOUR_EVENTS];
    } unit[PLC_MAX_UNITS];
    uint32_t check;
};

/* --- the program ------------------------------ */

void plc_init(struct plc *plc, int n_units, const struct setpoints *sp);
/* After plc_init: go on from what was kept. Damaged data locks every unit out. */
void plc_recall(struct plc *plc, const struct retained *kept);
void plc_scan(struct plc *plc, const struct inputs *in, struct outputs *out, uint32_t now_ms);
void plc_retain(const struct plc *plc, struct retained *kept);

/* For a caller in another language: names in the order of the structs, sizes, words. */
enum plc_list { LIST_SETPOINTS, LIST_UNIT_DI, LIST_UNIT_AI, LIST_BANK_DI, LIST_BANK_AI, LIST_UNIT_DO,
                LIST_BANK_DO, LIST_BANK_AO };
const char *plc_name(enum plc_list list, int index); /* NULL behind the last */
const char *plc_cause_text(int cause);
size_t plc_size(int what); /* 0 plc, 1 setpoints, 2 inputs, 3 outputs, 4 retained, 5 unit_in, 6 unit_out */
int plc_unit_step(const struct plc *plc, int unit);
int plc_unit_cause(const struct plc *plc, int unit);

#endif
