/* A PLC with a lamp mailbox, on libmodbus: 200 holding registers that anybody may write. Every write is told on a line
 * of its own before it is carried out: function, address, count, words.
 *
 *   mailbox_server PORT ADDRESS SIGNATURE     prints "PORT" when it listens; PORT 0 takes any
 */
#include <errno.h>
#include <modbus.h>
#include <stdio.h>
#include <stdlib.h>
#include <arpa/inet.h>
#include <sys/select.h>
#include <sys/socket.h>
#include <unistd.h>

enum { REGISTERS = 200, HEAD = 7 };

static void tell(const uint8_t *request) {
    int function = request[HEAD], address = request[HEAD + 1] << 8 | request[HEAD + 2];
    int count = function == 16 ? request[HEAD + 3] << 8 | request[HEAD + 4] : 1;
    const uint8_t *words = request + HEAD + (function == 16 ? 6 : 3);
    if (function != 5 && function != 6 && function != 15 && function != 16 && function != 22 && function != 23)
        return;
    printf("%d %d %d", function, address, count);
    for (int at = 0; at < count; at++)
        printf(" %d", words[2 * at] << 8 | words[2 * at + 1]);
    printf("\n");
    fflush(stdout);
}

int main(int argc, char **argv) {
    if (argc != 4)
        return 2;
    modbus_t *context = modbus_new_tcp("127.0.0.1", atoi(argv[1]));
    modbus_mapping_t *registers = modbus_mapping_new(0, 0, REGISTERS, 0);
    registers->tab_registers[atoi(argv[2])] = (uint16_t)atoi(argv[3]);
    int server = modbus_tcp_listen(context, 8);
    if (server < 0) {
        fprintf(stderr, "%s\n", modbus_strerror(errno));
        return 1;
    }
    struct sockaddr_in place;
    socklen_t size = sizeof place;
    getsockname(server, (struct sockaddr *)&place, &size);
    printf("%d\n", ntohs(place.sin_port));
    fflush(stdout);

    fd_set all, ready;
    FD_ZERO(&all);
    FD_SET(server, &all);
    int highest = server;
    for (;;) {
        ready = all;
        if (select(highest + 1, &ready, NULL, NULL, NULL) < 0)
            return 1;
        for (int line = 0; line <= highest; line++) {
            if (!FD_ISSET(line, &ready))
                continue;
            if (line == server) {
                int made = accept(server, NULL, NULL);
                if (made >= 0) {
                    FD_SET(made, &all);
                    highest = made > highest ? made : highest;
                }
                continue;
            }
            uint8_t request[MODBUS_TCP_MAX_ADU_LENGTH];
            modbus_set_socket(context, line);
            int length = modbus_receive(context, request);
            if (length > 0) {
                tell(request);
                modbus_reply(context, request, length, registers);
            } else if (length < 0) {
                close(line);
                FD_CLR(line, &all);
            }
        }
    }
}
