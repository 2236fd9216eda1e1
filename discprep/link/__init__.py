"""Seconds for bytes over a serial line: framing, rate generation, encapsulation, TCP, block protocols. Pure."""
