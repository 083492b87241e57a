/* Sends RAM to lowhalf (LHP/1).  One header, C99, no dependency: copy it.
 *
 *     static void read_ram(void *user, uint32_t address, uint8_t *into, uint32_t length) { ... }
 *
 *     static lhp_client client;                        (67 KiB: not on a small stack)
 *     lhp_socket connection;
 *     if (lhp_connect(&connection, "127.0.0.1", 7364) != 0) ...
 *     lhp_start(&client, lhp_socket_io(&connection), 0x80000000u, 0x400000u, 0, "my pier", "");
 *     once a frame:  if (lhp_frame(&client, frame_number, read_ram, 0) < 0) ... lost
 *     lhp_finish(&client);
 *     lhp_disconnect(&connection);
 *
 * The order says how read_ram gives the bytes: 0 as the guest sees them, 1 with the bytes of each
 * 16-bit word swapped, 2 with those of each 32-bit word reversed, 3 with the halves of each 32-bit
 * word swapped.  Only what lowhalf wants is sent: the lines that the watches touch.
 *
 * On a console behind a serial line: define LHP_NO_SOCKETS, give lhp_start an lhp_io of your own
 * around the UART, and set client.hello_every to the frames after which an unanswered HELLO is
 * said again (60, say).  Noise on the line is passed over, and read_ram is never asked for what is
 * outside the RAM that lhp_start was told of.
 *
 * On Windows, link ws2_32, and include this before windows.h.  lhp_connect starts Winsock and
 * lhp_disconnect lets go of it; a program that has started it for itself keeps it.
 */
#ifndef LHP_CLIENT_H
#define LHP_CLIENT_H

#include <stdint.h>
#include <string.h>

#define LHP_MOST_RANGES 4096u
#define LHP_LONGEST 1048576u /* bytes of a payload */

/* Both give what they did in bytes, or -1 where the connection is lost.  send sends all of length;
 * receive gives what has come, 0 where that is nothing, and does not wait. */
typedef struct {
    int (*send)(void *user, const uint8_t *bytes, uint32_t length);
    int (*receive)(void *user, uint8_t *into, uint32_t room);
    void *user;
} lhp_io;

typedef void (*lhp_read)(void *user, uint32_t address, uint8_t *into, uint32_t length);

typedef struct {
    uint32_t address, length;
} lhp_range;

typedef struct {
    lhp_io io;
    uint32_t base, size, longest;
    uint32_t hello_every;  /* 0: HELLO is said once, and a refusal ends the session */
    uint32_t since_hello;
    int order, welcome, lost;
    unsigned code;         /* of the newest refusal; 0 where there was none */
    char name[65], token[65];
    uint32_t wanted;       /* ranges in ranges[now]; what comes in goes to the other */
    int now;
    lhp_range ranges[2][LHP_MOST_RANGES];
    uint32_t have;         /* bytes of the message that is coming in */
    uint32_t passing;      /* bytes of it that are still to be passed over */
    uint8_t in[8 + 6];
    uint32_t coming;       /* the range that comes next */
    int wrong;             /* one that came is not in the RAM */
    uint8_t range_in[8];
    uint32_t range_have;
    uint32_t gathered;     /* bytes that are still to be sent */
    uint8_t out[1024];
} lhp_client;

static inline void lhp_put32(uint8_t *to, uint32_t n)
{
    to[0] = (uint8_t)(n >> 24);
    to[1] = (uint8_t)(n >> 16);
    to[2] = (uint8_t)(n >> 8);
    to[3] = (uint8_t)n;
}

static inline uint32_t lhp_get32(const uint8_t *from)
{
    return (uint32_t)from[0] << 24 | (uint32_t)from[1] << 16 | (uint32_t)from[2] << 8 | from[3];
}

static inline int lhp_flush(lhp_client *client)
{
    if (!client->lost && client->gathered > 0
        && client->io.send(client->io.user, client->out, client->gathered) < 0)
        client->lost = 1;
    client->gathered = 0;
    return client->lost ? -1 : 0;
}

/* Small pieces are gathered: each would be a packet. */
static inline int lhp_send(lhp_client *client, const uint8_t *bytes, uint32_t length)
{
    while (length > 0) {
        const uint32_t room = (uint32_t)sizeof client->out - client->gathered;
        const uint32_t count = length < room ? length : room;
        memcpy(client->out + client->gathered, bytes, count);
        client->gathered += count;
        bytes += count;
        length -= count;
        if (client->gathered == sizeof client->out && lhp_flush(client) < 0)
            return -1;
    }
    return client->lost ? -1 : 0;
}

static inline int lhp_head(lhp_client *client, int type, uint32_t length)
{
    uint8_t head[8] = {'L', 'H', 1, 0, 0, 0, 0, 0};
    head[3] = (uint8_t)type;
    lhp_put32(head + 4, length);
    return lhp_send(client, head, sizeof head);
}

static inline int lhp_hello(lhp_client *client)
{
    uint8_t payload[10 + 2 + 64 + 2 + 64];
    uint32_t at = 10;
    const char *texts[2];
    int i;
    texts[0] = client->name;
    texts[1] = client->token;
    lhp_put32(payload, client->base);
    lhp_put32(payload + 4, client->size);
    payload[8] = (uint8_t)client->order;
    payload[9] = 0;
    for (i = 0; i < 2; i++) {
        size_t length = strlen(texts[i]);
        payload[at] = 0;
        payload[at + 1] = (uint8_t)length;
        memcpy(payload + at + 2, texts[i], length);
        at += 2 + (uint32_t)length;
    }
    client->since_hello = 0;
    if (lhp_head(client, 0x01, at) < 0 || lhp_send(client, payload, at) < 0)
        return -1;
    return lhp_flush(client);
}

/* Says HELLO: size bytes of RAM at guest address base.  Gives 0, or -1 where the connection is lost
 * or a text has more than 64 bytes. */
static inline int lhp_start(lhp_client *client, lhp_io io, uint32_t base, uint32_t size, int order,
                            const char *name, const char *token)
{
    memset(client, 0, sizeof *client);
    client->io = io;
    client->base = base;
    client->size = size;
    client->order = order;
    client->longest = LHP_LONGEST;
    if (strlen(name) > 64 || strlen(token) > 64) {
        client->lost = 1;
        return -1;
    }
    strcpy(client->name, name);
    strcpy(client->token, token);
    return lhp_hello(client);
}

static inline void lhp_refused(lhp_client *client, unsigned code, int fatal)
{
    client->code = code;
    if (!fatal)
        return;
    if (client->hello_every)
        client->welcome = 0;
    else
        client->lost = 1;
}

static inline void lhp_take_range(lhp_client *client, lhp_range *range)
{
    const uint32_t address = lhp_get32(client->range_in);
    const uint32_t length = lhp_get32(client->range_in + 4);
    range->address = address;
    range->length = length;
    if (address < client->base || address - client->base >= client->size || length == 0
        || length > client->size - (address - client->base))
        client->wrong = 1;
}

/* One byte of what lowhalf says.  Bytes that begin no message are passed over. */
static inline void lhp_take(lhp_client *client, uint8_t byte)
{
    static const uint8_t start[3] = {'L', 'H', 1};
    uint32_t length, fixed;
    if (client->have < 3 && byte != start[client->have]) {
        client->have = byte == start[0];
        client->in[0] = byte;
        return;
    }
    if (client->have < sizeof client->in) {
        client->in[client->have++] = byte;
        if (client->have == 8) {
            client->passing = lhp_get32(client->in + 4);
            if (client->passing > 6 + 8 * LHP_MOST_RANGES)
                client->have = 0;
        } else if (client->have > 8) {
            client->passing--;
        }
    } else {
        client->passing--;
        if (client->in[3] == 0x81 || client->in[3] == 0x82) {
            client->range_in[client->range_have++] = byte;
            if (client->range_have == 8) {
                client->range_have = 0;
                if (client->coming < LHP_MOST_RANGES)
                    lhp_take_range(client, &client->ranges[!client->now][client->coming++]);
            }
        }
    }
    if (client->have < 8 || client->passing > 0)
        return;
    length = lhp_get32(client->in + 4);
    fixed = client->have - 8;
    if ((client->in[3] == 0x81 || client->in[3] == 0x82) && fixed == 6) {
        const uint32_t longest = lhp_get32(client->in + 8);
        if (client->wrong || longest <= 16 || length != 6 + 8 * client->coming) {
            /* damaged on its way: HELLO brings it again */
            lhp_refused(client, 5, 1);
        } else {
            client->longest = longest < LHP_LONGEST ? longest : LHP_LONGEST;
            client->wanted = client->coming;
            client->now = !client->now;
            client->welcome = 1;
        }
    } else if (client->in[3] == 0x8F && fixed >= 3) {
        lhp_refused(client, (unsigned)client->in[8] << 8 | client->in[9], client->in[10]);
    }
    client->have = 0;
    client->coming = 0;
    client->wrong = 0;
    client->range_have = 0;
}

/* Takes in what lowhalf has said, without waiting; lhp_frame does this by itself. */
static inline int lhp_poll(lhp_client *client)
{
    uint8_t bytes[256];
    int count;
    while (!client->lost) {
        int i;
        count = client->io.receive(client->io.user, bytes, sizeof bytes);
        if (count == 0)
            return 0;
        if (count < 0)
            client->lost = 1;
        for (i = 0; i < count; i++)
            lhp_take(client, bytes[i]);
    }
    return -1;
}

/* What one part of a frame takes of the wanted ranges, from byte `within` of range `first` on. */
typedef struct {
    uint32_t first, within;
} lhp_place;

static inline lhp_range lhp_piece(const lhp_client *client, lhp_place *place, uint32_t most)
{
    const lhp_range *range = &client->ranges[client->now][place->first];
    lhp_range piece;
    piece.address = range->address + place->within;
    piece.length = range->length - place->within;
    if (piece.length > most) {
        piece.length = most;
        place->within += most;
    } else {
        place->first++;
        place->within = 0;
    }
    return piece;
}

static inline int lhp_bytes(lhp_client *client, lhp_range piece, lhp_read read, void *user)
{
    uint8_t bytes[512];
    while (piece.length > 0) {
        uint32_t count = piece.length < sizeof bytes ? piece.length : (uint32_t)sizeof bytes;
        read(user, piece.address, bytes, count);
        if (lhp_send(client, bytes, count) < 0)
            return -1;
        piece.address += count;
        piece.length -= count;
    }
    return 0;
}

/* Sends a frame's wanted bytes, which read gives.  Gives 1, 0 where lowhalf is not ready yet, and
 * -1 where the connection is lost or refused (client->code says why it was refused). */
static inline int lhp_frame(lhp_client *client, uint32_t number, lhp_read read, void *user)
{
    lhp_place place = {0, 0};
    if (lhp_poll(client) < 0)
        return -1;
    if (!client->welcome) {
        if (client->hello_every && ++client->since_hello >= client->hello_every)
            return lhp_hello(client);
        return 0;
    }
    if (client->wanted == 0) {
        /* a frame cannot be empty: until something is wanted, one byte says that it is there */
        client->ranges[client->now][0].address = client->base;
        client->ranges[client->now][0].length = 1;
    }
    do {
        const uint32_t wanted = client->wanted ? client->wanted : 1;
        const lhp_place began = place;
        uint8_t head[8];
        uint32_t count = 0, size = 8, i;
        while (place.first < wanted && count < LHP_MOST_RANGES && size + 8 < client->longest) {
            const uint32_t room = client->longest - size - 8;
            size += 8 + lhp_piece(client, &place, room).length;
            count++;
        }
        lhp_put32(head, number);
        head[4] = place.first < wanted;
        head[5] = 0;
        head[6] = (uint8_t)(count >> 8);
        head[7] = (uint8_t)count;
        if (lhp_head(client, 0x02, size) < 0 || lhp_send(client, head, sizeof head) < 0)
            return -1;
        /* the same pieces twice: first where they are, then their bytes */
        size = 8;
        place = began;
        for (i = 0; i < count; i++) {
            const lhp_range piece = lhp_piece(client, &place, client->longest - size - 8);
            size += 8 + piece.length;
            lhp_put32(head, piece.address);
            lhp_put32(head + 4, piece.length);
            if (lhp_send(client, head, sizeof head) < 0)
                return -1;
        }
        size = 8;
        place = began;
        for (i = 0; i < count; i++) {
            const lhp_range piece = lhp_piece(client, &place, client->longest - size - 8);
            size += 8 + piece.length;
            if (lhp_bytes(client, piece, read, user) < 0)
                return -1;
        }
    } while (place.first < client->wanted);
    return lhp_flush(client) < 0 ? -1 : 1;
}

/* Says BYE. */
static inline void lhp_finish(lhp_client *client)
{
    lhp_head(client, 0x05, 0);
    lhp_flush(client);
    client->lost = 1;
}

#ifndef LHP_NO_SOCKETS

#include <stdio.h>

#ifdef _WIN32
#include <winsock2.h>
typedef SOCKET lhp_socket;
#define LHP_NO_SOCKET INVALID_SOCKET

/* Winsock counts those who use it: each connection does. */
static inline lhp_socket lhp_open(void)
{
    WSADATA data;
    lhp_socket handle;
    if (WSAStartup(MAKEWORD(2, 2), &data) != 0)
        return LHP_NO_SOCKET;
    handle = socket(AF_INET, SOCK_STREAM, 0);
    if (handle == LHP_NO_SOCKET)
        WSACleanup();
    return handle;
}

static inline void lhp_close(lhp_socket handle)
{
    closesocket(handle);
    WSACleanup();
}
#else
#include <arpa/inet.h>
#include <netinet/in.h>
#include <netinet/tcp.h>
#include <poll.h>
#include <sys/socket.h>
#include <unistd.h>
typedef int lhp_socket;
#define LHP_NO_SOCKET (-1)

static inline lhp_socket lhp_open(void)
{
    return socket(AF_INET, SOCK_STREAM, 0);
}

static inline void lhp_close(lhp_socket handle)
{
    close(handle);
}
#endif

#ifdef MSG_NOSIGNAL
#define LHP_SEND_FLAGS MSG_NOSIGNAL
#else
#define LHP_SEND_FLAGS 0
#endif

/* The host is four numbers, as in 127.0.0.1.  Gives 0, or -1 where nothing listens there. */
static inline int lhp_connect(lhp_socket *connection, const char *host, unsigned port)
{
    struct sockaddr_in where;
    unsigned part[4];
    int one = 1, i;
    uint32_t address = 0;
    char end;
    if (sscanf(host, "%3u.%3u.%3u.%3u%c", &part[0], &part[1], &part[2], &part[3], &end) != 4)
        return -1;
    for (i = 0; i < 4; i++)
        address = address << 8 | (part[i] & 255u);
    memset(&where, 0, sizeof where);
    where.sin_family = AF_INET;
    where.sin_port = htons((uint16_t)port);
    where.sin_addr.s_addr = htonl(address);
    *connection = lhp_open();
    if (*connection == LHP_NO_SOCKET)
        return -1;
#ifdef SO_NOSIGPIPE
    setsockopt(*connection, SOL_SOCKET, SO_NOSIGPIPE, (const char *)&one, sizeof one);
#endif
    setsockopt(*connection, IPPROTO_TCP, TCP_NODELAY, (const char *)&one, sizeof one);
    if (connect(*connection, (struct sockaddr *)&where, sizeof where) != 0) {
        lhp_close(*connection);
        return -1;
    }
    return 0;
}

static inline int lhp_socket_send(void *user, const uint8_t *bytes, uint32_t length)
{
    const lhp_socket handle = *(const lhp_socket *)user;
    uint32_t sent = 0;
    while (sent < length) {
        const int count = (int)send(handle, (const char *)bytes + sent, length - sent,
                                    LHP_SEND_FLAGS);
        if (count <= 0)
            return -1;
        sent += (uint32_t)count;
    }
    return (int)sent;
}

/* Whether there is something to receive within these milliseconds: 0 where there is not. */
static inline int lhp_socket_ready(lhp_socket handle, int wait)
{
#ifdef _WIN32
    struct timeval most;
    fd_set ready;
    most.tv_sec = wait / 1000;
    most.tv_usec = wait % 1000 * 1000;
    FD_ZERO(&ready);
    FD_SET(handle, &ready);
    return select(0, &ready, 0, 0, &most);
#else
    struct pollfd ready; /* select would not do in an emulator with over 1,024 files open */
    ready.fd = handle;
    ready.events = POLLIN;
    ready.revents = 0;
    return poll(&ready, 1, wait);
#endif
}

static inline int lhp_socket_receive(void *user, uint8_t *into, uint32_t room)
{
    const lhp_socket handle = *(const lhp_socket *)user;
    int count = lhp_socket_ready(handle, 0);
    if (count == 0)
        return 0;
    if (count > 0)
        count = (int)recv(handle, (char *)into, room, 0);
    return count > 0 ? count : -1;
}

/* The connection must stay where it is as long as it is used. */
static inline lhp_io lhp_socket_io(lhp_socket *connection)
{
    lhp_io io;
    io.send = lhp_socket_send;
    io.receive = lhp_socket_receive;
    io.user = connection;
    return io;
}

/* Takes at most a second. */
static inline void lhp_disconnect(lhp_socket *connection)
{
    uint8_t unread[256];
    /* answers that were left unread would have the system take back what was sent */
    shutdown(*connection, 1);
    while (lhp_socket_ready(*connection, 1000) > 0
           && recv(*connection, (char *)unread, sizeof unread, 0) > 0)
        ;
    lhp_close(*connection);
}

#endif
#endif
