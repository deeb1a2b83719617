/* A Modbus server for tests on libmodbus, so that our client is held to another package's protocol.
 *
 *   modbus_server tcp PORT | rtu DEVICE [UNIT]
 *
 * Reads commands on standard input, one a line, while it serves:
 *   hold ADDRESS VALUE       set a holding register
 *   input ADDRESS VALUE      set an input register
 *   float ADDRESS VALUE      set two holding registers to a float, most significant register first
 *   mute 0|1                 answer nothing
 *   refuse CODE              answer every request with that exception; 0 ends it
 * and prints "ready" once it listens.
 */
#include <errno.h>
#include <modbus.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/select.h>
#include <unistd.h>

#define REGISTERS 400

static modbus_mapping_t *map;
static int mute, refuse;

static void obey(char *line)
{
    char word[16];
    int address;
    double value;
    if (sscanf(line, "%15s %d %lf", word, &address, &value) < 2)
        return;
    if (!strcmp(word, "mute"))
        mute = address;
    else if (!strcmp(word, "refuse"))
        refuse = address;
    else if (address < 0 || address >= REGISTERS - 1)
        return;
    else if (!strcmp(word, "hold"))
        map->tab_registers[address] = (uint16_t)(int)value;
    else if (!strcmp(word, "input"))
        map->tab_input_registers[address] = (uint16_t)(int)value;
    else if (!strcmp(word, "float")) {
        float f = (float)value;
        uint32_t bits;
        memcpy(&bits, &f, 4);
        map->tab_registers[address] = bits >> 16;
        map->tab_registers[address + 1] = bits & 0xFFFF;
    }
    printf("done\n");
}

static void answer(modbus_t *ctx, const uint8_t *query, int length)
{
    if (mute || length <= 0)
        return;
    if (refuse)
        modbus_reply_exception(ctx, query, refuse);
    else
        modbus_reply(ctx, query, length, map);
}

int main(int argc, char **argv)
{
    uint8_t query[MODBUS_TCP_MAX_ADU_LENGTH];
    char line[256];
    size_t filled = 0;
    int listening = -1, tcp, most = 0;
    fd_set watched, ready;
    modbus_t *ctx;

    if (argc < 3)
        return 2;
    setvbuf(stdout, NULL, _IOLBF, 0);
    tcp = !strcmp(argv[1], "tcp");
    map = modbus_mapping_new(0, 0, REGISTERS, REGISTERS);
    if (tcp) {
        ctx = modbus_new_tcp("127.0.0.1", atoi(argv[2]));
        listening = modbus_tcp_listen(ctx, 4);
    } else {
        ctx = modbus_new_rtu(argv[2], 115200, 'N', 8, 1);
        modbus_set_slave(ctx, argc > 3 ? atoi(argv[3]) : 1);
        if (modbus_connect(ctx) < 0)
            return 1;
        listening = modbus_get_socket(ctx);
    }
    if (listening < 0)
        return 1;
    printf("ready\n");
    FD_ZERO(&watched);
    FD_SET(0, &watched);
    FD_SET(listening, &watched);
    most = listening;
    for (;;) {
        ready = watched;
        if (select(most + 1, &ready, NULL, NULL, NULL) < 0)
            return 1;
        if (FD_ISSET(0, &ready)) {
            ssize_t n = read(0, line + filled, sizeof line - filled - 1);
            char *end;
            if (n <= 0)
                return 0;
            filled += (size_t)n;
            line[filled] = 0;
            while ((end = strchr(line, '\n'))) {
                *end = 0;
                obey(line);
                filled -= (size_t)(end + 1 - line);
                memmove(line, end + 1, filled + 1);
            }
            if (filled == sizeof line - 1)
                filled = 0;
        }
        for (int s = 3; s <= most; s++) {
            if (!FD_ISSET(s, &ready))
                continue;
            if (tcp && s == listening) {
                int fresh = modbus_tcp_accept(ctx, &listening);
                if (fresh >= 0 && fresh < FD_SETSIZE) {
                    FD_SET(fresh, &watched);
                    most = fresh > most ? fresh : most;
                }
                continue;
            }
            if (tcp)
                modbus_set_socket(ctx, s);
            int n = modbus_receive(ctx, query);
            if (n < 0 && tcp) {
                close(s);
                FD_CLR(s, &watched);
            } else
                answer(ctx, query, n);
        }
    }
}
