/* A machine made of an embedded IP stack: dials over a terminal, looks up a name, fetches files, all at once.
 * embedded TTY slip|ppp NAME PATH... : files go to out.0, out.1, ... in the current folder; 0 when all came whole. */
#include <errno.h>
#include <fcntl.h>
#include <poll.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>
#include <unistd.h>
#include "lwip/dns.h"
#include "lwip/init.h"
#include "lwip/ip.h"
#include "lwip/sio.h"
#include "lwip/tcp.h"
#include "lwip/timeouts.h"
#include "netif/ppp/pppos.h"
#include "netif/slipif.h"

static int tty, open_files, failed;
static struct netif line;
static ip_addr_t server;
struct get { FILE *out; const char *path; };

u32_t sys_now(void) {
    struct timespec t;
    clock_gettime(CLOCK_MONOTONIC, &t);
    return t.tv_sec * 1000 + t.tv_nsec / 1000000;
}
u32_t sys_jiffies(void) { return sys_now(); }

static void put(const u8_t *data, u32_t size) {
    while (size) {
        ssize_t n = write(tty, data, size);
        if (n > 0) { data += n; size -= n; }
        else { struct pollfd p = { tty, POLLOUT, 0 }; poll(&p, 1, 100); }
    }
}
static u8_t held[256];
static u32_t held_size;
static void put_held(void) { put(held, held_size); held_size = 0; }
sio_fd_t sio_open(u8_t n) { (void)n; return (sio_fd_t)1; }
void sio_send(u8_t c, sio_fd_t fd) { (void)fd; held[held_size++] = c; if (held_size == sizeof held) put_held(); }
u32_t sio_tryread(sio_fd_t fd, u8_t *data, u32_t size) {
    (void)fd;
    ssize_t n = read(tty, data, size);
    return n > 0 ? n : 0;
}
static u32_t ppp_out(ppp_pcb *p, const void *data, u32_t size, void *ctx) { (void)p; (void)ctx; put(data, size); return size; }

static void over(void *arg, err_t error) { (void)arg; fprintf(stderr, "error %d\n", error); failed = 1; open_files--; }
static err_t came(void *arg, struct tcp_pcb *pcb, struct pbuf *p, err_t error) {
    struct get *get = arg;
    (void)error;
    if (!p) {
        tcp_err(pcb, NULL);
        fclose(get->out);
        open_files--;
        return tcp_close(pcb);
    }
    for (struct pbuf *q = p; q; q = q->next) fwrite(q->payload, 1, q->len, get->out);
    tcp_recved(pcb, p->tot_len);
    pbuf_free(p);
    return ERR_OK;
}
static err_t connected(void *arg, struct tcp_pcb *pcb, err_t error) {
    struct get *get = arg;
    char request[300];
    int size = snprintf(request, sizeof request, "GET %s HTTP/1.0\r\nHost: shelf\r\n\r\n", get->path);
    (void)error;
    return tcp_write(pcb, request, size, TCP_WRITE_FLAG_COPY);
}
static char **paths;
static void found(const char *name, const ip_addr_t *address, void *arg) {
    (void)arg;
    if (!address || !ip_addr_cmp(address, &server)) { fprintf(stderr, "no address for %s\n", name); exit(3); }
    for (int i = 0; paths[i]; i++) {
        struct get *get = malloc(sizeof *get);
        struct tcp_pcb *pcb = tcp_new();
        char file[20];
        snprintf(file, sizeof file, "out.%d", i);
        get->out = fopen(file, "wb");
        get->path = paths[i];
        tcp_arg(pcb, get); tcp_recv(pcb, came); tcp_err(pcb, over);
        tcp_connect(pcb, &server, 80, connected);
    }
}
static void look_up(const char *name) {
    ip_addr_t address;
    if (dns_gethostbyname(name, &address, found, NULL) == ERR_OK) found(name, &address, NULL);
}
static const char *name;
static void dialled(ppp_pcb *pcb, int error, void *ctx) {
    (void)pcb; (void)ctx;
    fprintf(stderr, "ppp %d\n", error);
    if (error) exit(2);
    look_up(name);
}

int main(int argc, char **argv) {
    ppp_pcb *ppp = NULL;
    (void)argc;
    tty = open(argv[1], O_RDWR | O_NOCTTY | O_NONBLOCK);
    name = argv[3];
    paths = argv + 4;
    for (char **path = paths; *path; path++) open_files++;
    IP_ADDR4(&server, 192, 0, 2, 1);
    lwip_init();
    srand(sys_now());
    if (!strcmp(argv[2], "slip")) {
        ip4_addr_t own, mask;
        IP4_ADDR(&own, 192, 0, 2, 2);
        IP4_ADDR(&mask, 255, 255, 255, 0);
        netif_add(&line, &own, &mask, ip_2_ip4(&server), NULL, slipif_init, ip_input);
        netif_set_default(&line);
        netif_set_up(&line);
        netif_set_link_up(&line);
        line.mtu = TCP_MSS + 40;
        dns_setserver(0, &server);
        look_up(name);
    } else {
        ppp = pppos_create(&line, ppp_out, dialled, NULL);
        ppp_set_default(ppp);
        ppp_set_usepeerdns(ppp, 1);
#if PAP_SUPPORT
        ppp_set_auth(ppp, PPPAUTHTYPE_PAP, "guest", "room"); /* it insists: the other side must tell them */
        ppp_set_auth_required(ppp, 1);
        ppp_set_ipcp_hisaddr(ppp, ip_2_ip4(&server));
#endif
        ppp_connect(ppp, 0);
    }
    while (open_files > 0) {
        struct pollfd p = { tty, POLLIN, 0 };
        u32_t wait = sys_timeouts_sleeptime();
        poll(&p, 1, wait > 20 ? 20 : wait);
        if (ppp) {
            u8_t data[256];
            ssize_t n;
            while ((n = read(tty, data, sizeof data)) > 0) pppos_input(ppp, data, n);
        } else {
            slipif_poll(&line);
        }
        sys_check_timeouts();
        put_held();
    }
    put_held();
    return failed;
}
