#define _POSIX_C_SOURCE 200809L
#include "line.h"
#include <errno.h>
#include <math.h>
#include <poll.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

/* Client: input registers of a device, and the holding registers that we write. */
enum { IN_LIFE = 0, IN_CONTACTS = 6, IN_LOOPS = 7, UNIT_LOOPS = 5, BANK_LOOPS = 8 };
enum { OUT_HEARTBEAT, OUT_OWNER, OUT_CONTACTS, OUT_STATE, OUT_SPEED = 3, OUT_RATE = 4 };
enum { BANK_ID = 100, OWNER = 4242, LOST_MS = 3600000 };
enum { RETRY_MS = 200, TIMEOUT_US = 150000, SERIAL_TIMEOUT_US = 500000 };

/* Server: holding registers from 100 * unit on, the bank from 0. */
enum { AT_CONTACTS = 0, AT_LOOPS = 1, UNIT_COMMAND = 6, BANK_COMMAND = 9, BANK_HEARTBEAT = 10, BANK_OWNER = 11 };
enum { AT_DRIVEN = 16, AT_STATE = 17, AT_SPEED = 17, AT_RATE = 18 };
enum { AT_LIFE = 19, AT_IDENTITY = 20, AT_KNOWN = 21, AT_SEEN = 23, AT_OWNER_SEEN = 24 };
enum { BLOCK = 100, IDENTITY = 4711, SERIAL_ID = 1 };

/* --- images and registers; order and bits are those of the I/O list --------------------------------------- */

static bool bit(uint16_t word, int *at) { return (word >> (*at)++ & 1u) != 0; }
static double loop(const uint16_t *words, int *at) { return words[(*at)++] / 1000.0; }
static uint16_t microamp(double ma) { return (uint16_t)lround(fmin(fmax(ma, 0.0), 65.0) * 1000.0); }

static void take_unit(struct unit_in *in, const uint16_t *contacts, const uint16_t *loops) {
    int at = 0;
#define X(name) in->name = bit(*contacts, &at);
    PLC_UNIT_DI(X)
#undef X
    at = 0;
#define X(name) in->name = loop(loops, &at);
    PLC_UNIT_AI(X)
#undef X
}

static void take_bank(struct bank_in *in, const uint16_t *contacts, const uint16_t *loops) {
    int at = 0;
#define X(name) in->name = bit(*contacts, &at);
    PLC_BANK_DI(X)
#undef X
    at = 0;
#define X(name) in->name = loop(loops, &at);
    PLC_BANK_AI(X)
#undef X
}

static uint16_t unit_bits(const struct unit_out *out) {
    unsigned word = 0, at = 0;
#define X(name) word |= (unsigned)out->name << at++;
    PLC_UNIT_DO(X)
#undef X
    return (uint16_t)word;
}

static uint16_t bank_bits(const struct bank_out *out) {
    unsigned word = 0, at = 0;
#define X(name) word |= (unsigned)out->name << at++;
    PLC_BANK_DO(X)
#undef X
    return (uint16_t)word;
}

/* The register holds the bits of enum command for a while; the program wants them for one scan. */
static uint32_t fresh_command(struct line *line, int device, uint16_t word) {
    uint32_t command = word & ~(uint32_t)line->command_was[device];
    line->command_was[device] = word;
    return command;
}

/* --- client ------------------------------------------------------------------------------------------------ */

static void lose(struct line *line) {
    modbus_close(line->modbus);
    line->connected = 0;
}

static int connected(struct line *line) {
    uint32_t now = line_now_ms();
    if (line->connected)
        return 1;
    if (now - line->tried_ms < RETRY_MS)
        return 0;
    line->tried_ms = now;
    line->connected = modbus_connect(line->modbus) == 0;
    modbus_flush(line->modbus); /* an answer that came too late stays on a serial line */
    return line->connected;
}

static uint32_t poll_device(struct line *line, int device, int count) {
    uint32_t now = line_now_ms();
    uint16_t words[LINE_IMAGE];
    modbus_set_slave(line->modbus, device == 0 ? BANK_ID : device);
    if (connected(line) && modbus_read_input_registers(line->modbus, 0, count, words) != count)
        lose(line);
    else if (line->connected) {
        if (words[IN_LIFE] != line->life[device])
            line->fresh_ms[device] = now;
        line->life[device] = words[IN_LIFE];
        memcpy(line->image[device], words, sizeof words);
    }
    return line->fresh_ms[device] == 0 ? LOST_MS : now - line->fresh_ms[device];
}

static void poll_all(struct line *line, struct inputs *in) {
    const uint16_t *words = line->image[0];
    int count = IN_LOOPS + BANK_LOOPS + 1;
    in->bank.age_ms = poll_device(line, 0, count);
    take_bank(&in->bank, &words[IN_CONTACTS], &words[IN_LOOPS]);
    in->bank.command = fresh_command(line, 0, words[count - 1]);
    count = IN_LOOPS + UNIT_LOOPS + 1;
    for (int u = 0; u < line->units; u++) {
        words = line->image[u + 1];
        in->unit[u].age_ms = poll_device(line, u + 1, count);
        take_unit(&in->unit[u], &words[IN_CONTACTS], &words[IN_LOOPS]);
        in->unit[u].command = fresh_command(line, u + 1, words[count - 1]);
    }
}

static void drive(struct line *line, int device, const uint16_t *words, int count) {
    modbus_set_slave(line->modbus, device == 0 ? BANK_ID : device);
    if (line->connected && modbus_write_registers(line->modbus, 0, count, words) != count)
        lose(line);
}

static void drive_all(struct line *line, const struct plc *plc, const struct outputs *out) {
    uint16_t words[5];
    words[OUT_HEARTBEAT] = line->heartbeat = (uint16_t)(line->heartbeat % 65535u + 1u);
    words[OUT_OWNER] = OWNER;
    words[OUT_CONTACTS] = bank_bits(&out->bank);
    words[OUT_SPEED] = microamp(out->bank.booster_speed_cmd_ma);
    words[OUT_RATE] = microamp(out->bank.dosing_rate_cmd_ma);
    drive(line, 0, words, 5);
    for (int u = 0; u < line->units; u++) {
        words[OUT_CONTACTS] = unit_bits(&out->unit[u]);
        words[OUT_STATE] = (uint16_t)plc_unit_step(plc, u);
        drive(line, u + 1, words, 4);
    }
}

/* --- server ------------------------------------------------------------------------------------------------ */

static void take_written(struct line *line, struct inputs *in) {
    const uint16_t *bank = line->map->tab_registers;
    uint32_t now = line_now_ms(), age;
    if (bank[BANK_HEARTBEAT] != line->heartbeat) {
        line->heartbeat = bank[BANK_HEARTBEAT];
        line->fresh_ms[0] = now;
    }
    age = line->fresh_ms[0] == 0 ? LOST_MS : now - line->fresh_ms[0];
    take_bank(&in->bank, &bank[AT_CONTACTS], &bank[AT_LOOPS]);
    in->bank.age_ms = age;
    in->bank.command = fresh_command(line, 0, bank[BANK_COMMAND]);
    for (int u = 0; u < line->units; u++) {
        const uint16_t *at = &bank[BLOCK * (u + 1)];
        take_unit(&in->unit[u], &at[AT_CONTACTS], &at[AT_LOOPS]);
        in->unit[u].age_ms = age;
        in->unit[u].command = fresh_command(line, u + 1, at[UNIT_COMMAND]);
    }
}

static void show(struct line *line, const struct plc *plc, const struct outputs *out) {
    uint16_t *bank = line->map->tab_registers;
    bank[AT_DRIVEN] = bank_bits(&out->bank);
    bank[AT_SPEED] = microamp(out->bank.booster_speed_cmd_ma);
    bank[AT_RATE] = microamp(out->bank.dosing_rate_cmd_ma);
    bank[AT_LIFE]++;
    bank[AT_IDENTITY] = IDENTITY;
    bank[AT_KNOWN] = 0x449A; /* 1234.5, high word first; modbus_set_float_abcd of libmodbus 3.1.6 swaps bytes */
    bank[AT_KNOWN + 1] = 0x5000;
    bank[AT_SEEN] = bank[BANK_HEARTBEAT];
    bank[AT_OWNER_SEEN] = bank[BANK_OWNER];
    for (int u = 0; u < line->units; u++) {
        bank[BLOCK * (u + 1) + AT_DRIVEN] = unit_bits(&out->unit[u]);
        bank[BLOCK * (u + 1) + AT_STATE] = (uint16_t)plc_unit_step(plc, u);
    }
}

static void welcome(struct line *line) {
    int client = modbus_tcp_accept(line->modbus, &line->listener);
    for (int i = 0; client >= 0 && i < LINE_CLIENTS; i++)
        if (line->clients[i] < 0) {
            line->clients[i] = client;
            return;
        }
    if (client >= 0)
        close(client);
}

static void answer(struct line *line, int *client) {
    uint8_t query[MODBUS_TCP_MAX_ADU_LENGTH];
    modbus_set_socket(line->modbus, *client);
    int length = modbus_receive(line->modbus, query);
    if (length > 0 && modbus_reply(line->modbus, query, length, line->map) >= 0)
        return;
    if (length != 0) {
        close(*client);
        *client = -1;
    }
}

/* A serial line has one master and no connections; what was garbled or is for others is not answered. */
static void serve_serial_until(struct line *line, uint32_t due_ms) {
    uint8_t query[MODBUS_RTU_MAX_ADU_LENGTH];
    for (;;) {
        struct pollfd ready = {modbus_get_socket(line->modbus), POLLIN, 0};
        int32_t left = (int32_t)(due_ms - line_now_ms());
        int length;
        if (left <= 0 || poll(&ready, 1, left) <= 0)
            return;
        length = modbus_receive(line->modbus, query);
        if (length > 0)
            modbus_reply(line->modbus, query, length, line->map);
    }
}

void line_serve_until(struct line *line, uint32_t due_ms) {
    if (line->serial) {
        serve_serial_until(line, due_ms);
        return;
    }
    for (;;) {
        struct pollfd ready[LINE_CLIENTS + 1] = {{line->listener, POLLIN, 0}};
        int32_t left = (int32_t)(due_ms - line_now_ms());
        for (int i = 0; i < LINE_CLIENTS; i++)
            ready[i + 1] = (struct pollfd){line->clients[i], POLLIN, 0};
        if (left <= 0 || poll(ready, LINE_CLIENTS + 1, left) <= 0)
            return;
        if (ready[0].revents)
            welcome(line);
        for (int i = 0; i < LINE_CLIENTS; i++)
            if (line->clients[i] >= 0 && ready[i + 1].revents)
                answer(line, &line->clients[i]);
    }
}

/* --- both --------------------------------------------------------------------------------------------------- */

static int open_server(struct line *line) {
    line->map = modbus_mapping_new(0, 0, LINE_REGISTERS, 0);
    if (line->map == NULL)
        return 0;
    if (line->serial)
        return modbus_set_slave(line->modbus, SERIAL_ID) == 0 && modbus_connect(line->modbus) == 0;
    line->listener = modbus_tcp_listen(line->modbus, LINE_CLIENTS);
    return line->listener >= 0;
}

int line_open(struct line *line, const char *where, int units, int serves) {
    memset(line, 0, sizeof *line);
    line->serves = serves;
    line->serial = where[0] == '/';
    line->units = units;
    line->listener = -1;
    for (int i = 0; i < LINE_CLIENTS; i++)
        line->clients[i] = -1;
    line->modbus = line->serial ? modbus_new_rtu(where, LINE_BAUD, 'N', 8, 1)
                                : modbus_new_tcp("127.0.0.1", atoi(where));
    if (line->modbus == NULL)
        return 0;
    modbus_set_response_timeout(line->modbus, 0, line->serial ? SERIAL_TIMEOUT_US : TIMEOUT_US);
    return !serves || open_server(line);
}

void line_read(struct line *line, struct inputs *in) {
    if (line->serves)
        take_written(line, in);
    else
        poll_all(line, in);
}

void line_write(struct line *line, const struct plc *plc, const struct outputs *out) {
    if (line->serves)
        show(line, plc, out);
    else
        drive_all(line, plc, out);
}

void line_close(struct line *line) {
    for (int i = 0; i < LINE_CLIENTS; i++)
        if (line->clients[i] >= 0)
            close(line->clients[i]);
    if (line->listener >= 0)
        close(line->listener);
    if (line->map != NULL)
        modbus_mapping_free(line->map);
    modbus_close(line->modbus);
    modbus_free(line->modbus);
}
