"""Programs that a PC starts from a disc, assembled here, and the emulated PC (qemu, Debian) that starts them.

Each prints a word to the first serial port. The firmware's calls and the port's registers are those of the PC (common
practice, no source).
"""

import subprocess
from pathlib import Path

from support.disc_readers import run
from support.programs import program

PROGRAM = """
bits 16
org 0x7c00
    jmp 0:start
start:
    xor ax, ax
    mov ds, ax
    mov ss, ax
    mov sp, 0x7c00
    mov [drive], dl
{body}
    mov si, word_
next:
    lodsb
    test al, al
    jz done
    mov bl, al
wait_:
    mov dx, 0x3fd
    in al, dx
    test al, 0x20
    jz wait_
    mov dx, 0x3f8
    mov al, bl
    out dx, al
    jmp next
done:
    mov ax, 0x2000
    mov dx, 0x604
    out dx, ax
halt:
    hlt
    jmp halt
drive: db 0
word_: db "{word}", 13, 10, 0
{more}
times 510-($-$$) db 0
dw 0xaa55
"""


def assembled(tmp_path: Path, body: str = "", word: str = "STARTED") -> bytes:
    source, out = tmp_path / "boot.asm", tmp_path / "boot.bin"
    source.write_text(PROGRAM.format(body=body, word=word, more=""))
    run(program("nasm"), "-f", "bin", "-o", out, source)
    return out.read_bytes()


def started(image: Path, *drive: str, most_s: int = 120) -> str:
    """What the machine prints to its serial port before it switches itself off, or `most_s` have passed."""
    machine = ["-M", "pc", "-m", "32", "-accel", "tcg", "-display", "none", "-monitor", "none", "-net", "none"]
    words = [program("qemu-system-i386", "qemu-system-x86"), *machine, "-serial", "stdio", "-no-reboot"]
    words += drive or ["-boot", "d", "-cdrom", str(image)]
    try:
        done = subprocess.run(words, capture_output=True, timeout=most_s, check=False, stdin=subprocess.DEVNULL)
        return done.stdout.decode("latin-1")
    except subprocess.TimeoutExpired as late:
        return (late.stdout or b"").decode("latin-1")
