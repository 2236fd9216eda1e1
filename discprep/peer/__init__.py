"""The far end of the line in user space: framing, header compression, PPP, IP and a TCP that knows its line.

Everything here is a function or a state machine of bytes and a time [s] that the caller tells; the port alone
(`port.py`) does I/O.
"""
