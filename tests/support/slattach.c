/* slattach TTY 0|1: the kernel's SLIP on a terminal, with compressed headers or without; stays until it is killed. */
#include <fcntl.h>
#include <stdio.h>
#include <stdlib.h>
#include <sys/ioctl.h>
#include <termios.h>
#include <unistd.h>
#include <asm/ioctls.h>

#define N_SLIP 1
#define SIOCSIFENCAP 0x8926

int main(int argc, char **argv) {
    int discipline = N_SLIP, mode = atoi(argv[2]), tty = open(argv[1], O_RDWR | O_NOCTTY);
    struct termios line;
    (void)argc;
    tcgetattr(tty, &line);
    cfmakeraw(&line);
    cfsetspeed(&line, B115200);
    line.c_cflag |= CLOCAL | CREAD;
    tcsetattr(tty, TCSANOW, &line);
    if (ioctl(tty, TIOCSETD, &discipline) < 0 || ioctl(tty, SIOCSIFENCAP, &mode) < 0) {
        perror("slattach");
        return 1;
    }
    for (;;) pause();
}
