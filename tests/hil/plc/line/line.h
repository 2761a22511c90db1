/* The image of the stand-in PLC on Modbus TCP or RTU: as a client of remote I/O, or as a server. */
#ifndef PLC_LINE_H
#define PLC_LINE_H

#include "logic.h"
#include <modbus/modbus.h>

#define LINE_CLIENTS 4
#define LINE_REGISTERS 4096
#define LINE_IMAGE 32
#define LINE_BAUD 115200

struct line {
    int serves, serial, units;
    modbus_t *modbus;
    /* client: per device (unit 1.. and the bank at 0) the last life counter and when it changed */
    uint16_t life[PLC_MAX_UNITS + 1], heartbeat;
    uint16_t image[PLC_MAX_UNITS + 1][LINE_IMAGE]; /* what a device showed last; its age says what it is worth */
    uint32_t fresh_ms[PLC_MAX_UNITS + 1], tried_ms;
    int connected;
    uint16_t command_was[PLC_MAX_UNITS + 1]; /* a command counts when it appears */
    /* server */
    modbus_mapping_t *map;
    int listener, clients[LINE_CLIENTS]; /* on TCP */
};

uint32_t line_now_ms(void);
/* `where` is a TCP port on loopback, or a serial device; 0 with errno when it cannot be had */
int line_open(struct line *line, const char *where, int units, int serves);
void line_read(struct line *line, struct inputs *in);
void line_write(struct line *line, const struct plc *plc, const struct outputs *out);
void line_serve_until(struct line *line, uint32_t due_ms);
void line_close(struct line *line);

#endif
