"""The cautions, in the trade's usual words. The maker's papers, local rules and licensed practice come first.

Values: valid input beyond 3 V either way (TIA-232-F, from memory); a 5 V transceiver part is rated 120 kbit/s (its
data sheet SLLS047L); logic levels (logic makers' tutorials); a wireless module took 451 mA (one module's data page);
the rest common practice, no source.
"""

from __future__ import annotations

from discprep.model import Manifest


def cautions(manifest: Manifest, *, wipes: bool, unshared: bool) -> tuple[str, ...]:
    """What to heed for this machine and line, weightiest first."""
    lines = [
        "The papers of the machine's and the bridge's makers, local rules and licensed practice come first; where this "
        "sheet says otherwise, follow them.",
        "Inside a mains supply or a picture tube's housing only who is trained for it works; they hold a charge long "
        "after the plug is out.",
    ]
    if manifest.link:
        lines += _line(manifest.link.rate_bit_s)
    lines += _software(wipes, unshared)
    return tuple(lines)


def _line(rate_bit_s: int) -> list[str]:
    lines = [
        "Connect and disconnect with both ends off, ground first. Touch bare metal before the boards.",
        "A serial port of the RS-232 kind is not a logic level: it is inverted and swings below and above ground by "
        "3 V and far more (inputs stand 30 V). Wired straight to a 3.3 V or 5 V logic pin it destroys that; a level "
        "converter belongs between.",
        "3.3 V out into a 5 V input is sure only where the input takes 2.0 V for high; 5 V out into a 3.3 V input only "
        "where that pin is stated to stand 5 V, else through a divider or a shifter.",
        "Never feed one supply pin from two sources. A wireless bridge takes half an ampere in bursts: give it a "
        "supply of more than 500 mA and 10 uF close by, or it resets and that looks like line errors.",
    ]
    if rate_bit_s > 115_200:
        lines.append(
            f"At {rate_bit_s} bit/s: common 5 V line transceivers are rated for 120 kbit/s; use a faster part."
        )
    if rate_bit_s > 38_400:
        lines.append("RTS and CTS wired both ways at this rate. XON/XOFF takes bytes that SLIP needs.")
    return lines


def _software(wipes: bool, unshared: bool) -> list[str]:
    lines = [
        "Before an installer runs: copy the present settings and start-up files to another disk or paper. "
        + ("Where a step says so, the setup saves them first." if wipes else "Some installers replace them unasked."),
        "A checksum that is wrong on the machine means the file is wrong: never start it, fetch or copy it again.",
        "Each program's licence holds on an old machine too; the list of origins says what is known of it.",
    ]
    if unshared:
        lines.append("Items marked NOT TO BE PASSED ON stay with this machine: no copy of this disc leaves the house.")
    return lines
