/* The stand-in PLC on a line: scans every 20 ms and speaks Modbus TCP or RTU through libmodbus.
 *
 *   plc --poll WHERE  --units N [--mistake M] [--set NAME=VALUE]...   polls remote I/O, one device a unit
 *   plc --serve WHERE --units N [--mistake M] [--set NAME=VALUE]...   is a server whose image a bench writes
 *
 * WHERE is a TCP port, only ever on loopback, or the path of a serial device (115200 baud, 8N1).
 * Addresses: tests/hil/polling.toml and tests/hil/serving.toml. Prints "ready" once it runs. */
#define _POSIX_C_SOURCE 200809L
#include "line.h"
#include <errno.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

#define SCAN_MS 20u

static volatile sig_atomic_t over;

static void stop(int sig) {
    (void)sig;
    over = 1;
}

uint32_t line_now_ms(void) {
    struct timespec now;
    clock_gettime(CLOCK_MONOTONIC, &now);
    return (uint32_t)((uint64_t)now.tv_sec * 1000u + (uint64_t)now.tv_nsec / 1000000u);
}

static int set_one(struct setpoints *sp, const char *text) {
    const char *equals = strchr(text, '=');
    double *values = (double *)sp;
    if (equals == NULL)
        return 0;
    for (int i = 0; plc_name(LIST_SETPOINTS, i) != NULL; i++) {
        const char *name = plc_name(LIST_SETPOINTS, i);
        if (strlen(name) == (size_t)(equals - text) && strncmp(name, text, strlen(name)) == 0) {
            values[i] = strtod(equals + 1, NULL);
            return 1;
        }
    }
    return 1; /* a setpoint that this program has no use for */
}

static void wait_until(uint32_t due_ms) {
    int32_t left = (int32_t)(due_ms - line_now_ms());
    struct timespec pause = {0, (left > 0 ? left : 0) * 1000000L};
    nanosleep(&pause, NULL);
}

static void run(struct plc *plc, struct line *line) {
    struct inputs in;
    struct outputs out;
    uint32_t due_ms = line_now_ms();
    memset(&in, 0, sizeof in);
    memset(&out, 0, sizeof out);
    puts("ready");
    fflush(stdout);
    while (!over) {
        line_read(line, &in);
        plc_scan(plc, &in, &out, line_now_ms());
        line_write(line, plc, &out);
        due_ms += SCAN_MS;
        if ((int32_t)(line_now_ms() - due_ms) > (int32_t)SCAN_MS)
            due_ms = line_now_ms();
        if (line->serves)
            line_serve_until(line, due_ms);
        else
            wait_until(due_ms);
    }
}

int main(int argc, char **argv) {
    struct setpoints sp;
    struct plc *plc = calloc(1, sizeof *plc);
    struct line line;
    const char *where = "";
    int units = 2, serves = 0;
    memset(&sp, 0, sizeof sp);
    for (int i = 1; i + 1 < argc; i += 2) {
        const char *key = argv[i], *value = argv[i + 1];
        if (!strcmp(key, "--poll") || !strcmp(key, "--serve")) {
            serves = !strcmp(key, "--serve");
            where = value;
        } else if (!strcmp(key, "--units"))
            units = atoi(value);
        else if (!strcmp(key, "--mistake"))
            sp.mistake = atof(value);
        else if (strcmp(key, "--set") != 0 || !set_one(&sp, value)) {
            fprintf(stderr, "plc: %s %s is not understood\n", key, value);
            return 2;
        }
    }
    if (plc == NULL || *where == '\0' || units < 1 || units > PLC_MAX_UNITS) {
        fprintf(stderr, "plc: give --poll WHERE or --serve WHERE, and 1 to %d units\n", PLC_MAX_UNITS);
        return 2;
    }
    signal(SIGTERM, stop);
    signal(SIGINT, stop);
    signal(SIGPIPE, SIG_IGN);
    plc_init(plc, units, &sp);
    if (!line_open(&line, where, units, serves)) {
        fprintf(stderr, "plc: %s: %s\n", where, strerror(errno));
        return 1;
    }
    run(plc, &line);
    line_close(&line);
    free(plc);
    return 0;
}
