/* A client on libmodbus that goes through function codes 1-6, 15, 16 and 23 and an exception.
 *
 *     libmodbus_client tcp HOST PORT UNIT
 *     libmodbus_client rtu DEVICE BAUD UNIT
 *
 * Expects discrete input i to be on where i is a multiple of 3, input register i to hold 1000 + i, coils and
 * holding registers to be zero, and no address from 200 on. Prints "served" and ends with 0, or says on
 * stderr what was wrong and ends with 1.
 */
#include <errno.h>
#include <modbus/modbus.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static void demand(int holds, const char *what)
{
    if (!holds) {
        fprintf(stderr, "%s: %s\n", what, modbus_strerror(errno));
        exit(1);
    }
}

static void read_tables(modbus_t *line)
{
    uint8_t bits[10];
    uint16_t words[5];
    demand(modbus_read_input_bits(line, 0, 10, bits) == 10, "FC2 read");
    for (int i = 0; i < 10; i++)
        demand(bits[i] == (i % 3 == 0), "FC2 value");
    demand(modbus_read_input_registers(line, 10, 5, words) == 5, "FC4 read");
    for (int i = 0; i < 5; i++)
        demand(words[i] == 1010 + i, "FC4 value");
}

static void write_coils(modbus_t *line)
{
    const uint8_t pattern[10] = {1, 0, 1, 0, 1, 0, 1, 0, 1, 1};
    uint8_t bits[20];
    demand(modbus_write_bit(line, 3, 1) == 1, "FC5 write");
    demand(modbus_write_bits(line, 10, 10, pattern) == 10, "FC15 write");
    demand(modbus_read_bits(line, 0, 20, bits) == 20, "FC1 read");
    for (int i = 0; i < 20; i++)
        demand(bits[i] == (i < 10 ? i == 3 : pattern[i - 10]), "FC1 value");
}

static void write_registers(modbus_t *line)
{
    const uint16_t written[3] = {7, 8, 65535};
    uint16_t words[5];
    demand(modbus_write_register(line, 20, 0xBEEF) == 1, "FC6 write");
    demand(modbus_write_registers(line, 30, 3, written) == 3, "FC16 write");
    demand(modbus_read_registers(line, 20, 1, words) == 1, "FC3 read");
    demand(words[0] == 0xBEEF, "FC3 value");
    demand(modbus_write_and_read_registers(line, 40, 3, written, 40, 5, words) == 5, "FC23 exchange");
    for (int i = 0; i < 5; i++)
        demand(words[i] == (i < 3 ? written[i] : 0), "FC23 value");
}

static void ask_for_too_much(modbus_t *line)
{
    uint16_t word;
    demand(modbus_read_registers(line, 200, 1, &word) == -1 && errno == EMBXILADD, "exception 02");
}

int main(int argc, char **argv)
{
    if (argc != 5) {
        fprintf(stderr, "usage: %s tcp HOST PORT UNIT | rtu DEVICE BAUD UNIT\n", argv[0]);
        return 1;
    }
    modbus_t *line = strcmp(argv[1], "tcp") == 0 ? modbus_new_tcp(argv[2], atoi(argv[3]))
                                                 : modbus_new_rtu(argv[2], atoi(argv[3]), 'N', 8, 1);
    demand(line != NULL, "line");
    modbus_set_response_timeout(line, 5, 0);
    demand(modbus_set_slave(line, atoi(argv[4])) == 0, "unit");
    demand(modbus_connect(line) == 0, "connect");
    read_tables(line);
    write_coils(line);
    write_registers(line);
    ask_for_too_much(line);
    modbus_close(line);
    modbus_free(line);
    puts("served");
    return 0;
}
