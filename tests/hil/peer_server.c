/* A small device on libmodbus, the judge that shares no code with ours.
 *
 *   peer_server tcp PORT UNIT          serves 127.0.0.1 (PORT 0: any); prints "port N"
 *   peer_server rtu DEVICE BAUD UNIT   serves a serial line, 8N1; prints "ready"
 *
 * 200 of everything. Input registers: 0 identity 4711, 1 known value 12345, 2 life (one more with each
 * request), 3 heartbeat_seen and 4 owner_seen (holding registers 0 and 1); the others hold their
 * own address. Discrete input n is on when n is odd. It answers for its own unit only.
 */
#include <arpa/inet.h>
#include <errno.h>
#include <modbus.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <unistd.h>

enum { N = 200 };

static void refresh(modbus_mapping_t *m)
{
    m->tab_input_registers[2]++;
    m->tab_input_registers[3] = m->tab_registers[0];
    m->tab_input_registers[4] = m->tab_registers[1];
}

static void serve(modbus_t *ctx, modbus_mapping_t *m, int unit)
{
    uint8_t query[MODBUS_TCP_MAX_ADU_LENGTH];
    int header = modbus_get_header_length(ctx);
    for (;;) {
        int n = modbus_receive(ctx, query);
        if (n == -1 && (errno == EMBBADCRC || errno == ETIMEDOUT || errno == EMBBADDATA))
            continue;
        if (n == -1)
            return;
        if (n == 0 || query[header - 1] != unit)
            continue;
        refresh(m);
        if (modbus_reply(ctx, query, n, m) == -1)
            return;
    }
}

static void serve_tcp(int port, modbus_mapping_t *m, int unit)
{
    struct sockaddr_in address;
    socklen_t length = sizeof address;
    modbus_t *ctx = modbus_new_tcp("127.0.0.1", port);
    int listener = modbus_tcp_listen(ctx, 4);
    if (listener == -1 || getsockname(listener, (struct sockaddr *)&address, &length) == -1)
        exit(2);
    printf("port %d\n", ntohs(address.sin_port));
    fflush(stdout);
    for (;;) {
        if (modbus_tcp_accept(ctx, &listener) == -1)
            exit(3);
        serve(ctx, m, unit);
        modbus_close(ctx);
    }
}

static void serve_rtu(const char *device, int baud, modbus_mapping_t *m, int unit)
{
    modbus_t *ctx = modbus_new_rtu(device, baud, 'N', 8, 1);
    if (ctx == NULL || modbus_set_slave(ctx, unit) == -1 || modbus_connect(ctx) == -1)
        exit(4);
    printf("ready\n");
    fflush(stdout);
    serve(ctx, m, unit);
}

int main(int argc, char **argv)
{
    modbus_mapping_t *m = modbus_mapping_new(N, N, N, N);
    if (m == NULL || argc < 4)
        return 1;
    for (int i = 0; i < N; i++) {
        m->tab_input_registers[i] = (uint16_t)i;
        m->tab_input_bits[i] = i % 2;
    }
    m->tab_input_registers[0] = 4711;
    m->tab_input_registers[1] = 12345;
    m->tab_input_registers[2] = 0;
    if (strcmp(argv[1], "tcp") == 0)
        serve_tcp(atoi(argv[2]), m, atoi(argv[3]));
    else if (argc > 4)
        serve_rtu(argv[2], atoi(argv[3]), m, atoi(argv[4]));
    return 0;
}
