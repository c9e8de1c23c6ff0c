/* A Modbus device, TCP or RTU, that we did not write: libmodbus' own server, whose words say where they stand and how old they are.
 *
 * Registers (input and holding, 0 to 9999): even address = the address itself; odd address = number of the request
 * (uint16), the same in all words of one answer. Bits (coils and discrete inputs): parity of the ones in the address.
 * Beyond 9999: exception 2, by libmodbus.
 *
 * register_server PORT DELAY_MS EVERY                TCP; port 0 takes a free one; the real one is printed.
 * register_server PORT DELAY_MS EVERY MOVES          and these registers hold, anew with every request, a value give or
 *                                                    take a swing: "address:value:swing address:value:swing ..."
 * register_server DEVICE DELAY_MS EVERY UNIT BAUD    RTU, no parity, on a serial port; "ready" is printed.
 * Every EVERY-th answer is held back DELAY_MS.
 */
#include <arpa/inet.h>
#include <errno.h>
#include <modbus.h>
#include <signal.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/prctl.h>
#include <sys/select.h>
#include <sys/socket.h>
#include <time.h>
#include <unistd.h>

enum { ADDRESSES = 10000 };

static void hold_back(long ms)
{
    struct timespec pause = {ms / 1000, (ms % 1000) * 1000000L};
    nanosleep(&pause, NULL);
}

/* pdu: function 1, address 2, count 2. */
static void number(modbus_mapping_t *map, const uint8_t *pdu, uint16_t counter)
{
    unsigned address = (unsigned)pdu[1] << 8 | pdu[2];
    unsigned count = (unsigned)pdu[3] << 8 | pdu[4];
    for (unsigned a = address | 1u; a < address + count && a < ADDRESSES; a += 2)
        map->tab_registers[a] = map->tab_input_registers[a] = counter;
}

static void move(modbus_mapping_t *map, const char *moves)
{
    static uint32_t seed = 1;
    unsigned address, value, swing;
    for (const char *at = moves; at != NULL && sscanf(at, "%u:%u:%u", &address, &value, &swing) == 3;) {
        seed = seed * 1664525u + 1013904223u;
        uint16_t word = (uint16_t)(value + (seed >> 16) % (2 * swing + 1) - swing);
        if (address < ADDRESSES)
            map->tab_registers[address] = map->tab_input_registers[address] = word;
        at = strchr(at, ' ');
        at = at == NULL ? NULL : at + 1;
    }
}

static int listen_at(modbus_t *ctx)
{
    struct sockaddr_in at;
    socklen_t size = sizeof at;
    int listener = modbus_tcp_listen(ctx, 16);
    if (listener < 0 || getsockname(listener, (struct sockaddr *)&at, &size) < 0) {
        fprintf(stderr, "register_server: cannot listen: %s\n", modbus_strerror(errno));
        exit(1);
    }
    printf("%d\n", ntohs(at.sin_port));
    fflush(stdout);
    return listener;
}

static modbus_mapping_t *fill(void)
{
    modbus_mapping_t *map = modbus_mapping_new(ADDRESSES, ADDRESSES, ADDRESSES, ADDRESSES);
    for (int a = 0; map != NULL && a < ADDRESSES; a++) {
        map->tab_bits[a] = map->tab_input_bits[a] = (uint8_t)__builtin_parity((unsigned)a);
        map->tab_registers[a] = map->tab_input_registers[a] = (uint16_t)a;
    }
    return map;
}

static int serve_line(modbus_mapping_t *map, char **argv)
{
    long delay_ms = atol(argv[2]), every = atol(argv[3]);
    uint16_t counter = 0;
    uint8_t request[MODBUS_RTU_MAX_ADU_LENGTH];
    modbus_t *ctx = modbus_new_rtu(argv[1], atoi(argv[5]), 'N', 8, 1);
    if (ctx == NULL || modbus_set_slave(ctx, atoi(argv[4])) < 0 || modbus_connect(ctx) < 0) {
        fprintf(stderr, "register_server: cannot open %s: %s\n", argv[1], modbus_strerror(errno));
        return 1;
    }
    puts("ready");
    fflush(stdout);
    for (;;) {
        int size = modbus_receive(ctx, request);
        if (size < 0 && errno != EMBBADCRC && errno != ETIMEDOUT)
            return 0; /* the line has gone */
        if (size < 8)
            continue; /* noise, or for another unit */
        counter++;
        number(map, request + 1, counter);
        if (delay_ms > 0 && counter % every == 0)
            hold_back(delay_ms);
        modbus_reply(ctx, request, size, map);
    }
}

int main(int argc, char **argv)
{
    int port = argc > 1 ? atoi(argv[1]) : 0;
    long delay_ms = argc > 2 ? atol(argv[2]) : 0;
    long every = argc > 3 ? atol(argv[3]) : 1;
    uint16_t counter = 0;
    uint8_t request[MODBUS_TCP_MAX_ADU_LENGTH];
    fd_set open_set, ready;

    prctl(PR_SET_PDEATHSIG, SIGKILL); /* no test leaves it behind */
    modbus_mapping_t *map = fill();
    if (map == NULL)
        return 1;
    if (argc == 6)
        return serve_line(map, argv);
    modbus_t *ctx = modbus_new_tcp("127.0.0.1", port);
    if (ctx == NULL)
        return 1;
    int listener = listen_at(ctx), top = listener;
    FD_ZERO(&open_set);
    FD_SET(listener, &open_set);
    for (;;) {
        ready = open_set;
        if (select(top + 1, &ready, NULL, NULL, NULL) < 0)
            return 1;
        for (int fd = 0; fd <= top; fd++) {
            if (!FD_ISSET(fd, &ready))
                continue;
            if (fd == listener) {
                int fresh = accept(listener, NULL, NULL);
                if (fresh >= 0) {
                    FD_SET(fresh, &open_set);
                    top = fresh > top ? fresh : top;
                }
                continue;
            }
            modbus_set_socket(ctx, fd);
            int size = modbus_receive(ctx, request);
            if (size < 0) {
                close(fd);
                FD_CLR(fd, &open_set);
                continue;
            }
            if (size < 12)
                continue;
            counter++;
            number(map, request + 7, counter);
            move(map, argc == 5 ? argv[4] : NULL);
            if (delay_ms > 0 && counter % every == 0)
                hold_back(delay_ms);
            modbus_reply(ctx, request, size, map);
        }
    }
}
