"""Against a general-purpose kernel that nobody here wrote: its SLIP, compressed SLIP and PPP in an emulated PC.

One start of the machine serves all three, as a start takes a minute.
"""

import hashlib
import random
from pathlib import Path

import pytest
from support.clocked import Cable
from support.far_end import far_end
from support.kernel_vm import Machine

FILES = {"/a": random.Random(1).randbytes(20_000), "/b": bytes(range(256)) * 30, "/c": b"\xc0\xdb\x7e\x7d\x11" * 900}
_PULL = """
until ping -c 1 -W 2 192.0.2.1 >/dev/null; do :; done
echo NAME $(nslookup shelf.example 192.0.2.1 2>&1 | tail -n 3)
echo "nameserver 192.0.2.1" > /etc/resolv.conf
pulls=
for file in a b c; do wget -q -O /tmp/$file http://192.0.2.1/$file & pulls="$pulls $!"; done
wait $pulls
for file in a b c; do echo SUM PROTOCOL $file $(sha256sum < /tmp/$file); rm /tmp/$file; done
wget -q -O /tmp/no http://192.0.2.1/no || echo NOT FOUND PROTOCOL
ping -c 3 -s 400 192.0.2.1 | grep received
"""
_SLIP = """
echo BEGIN PROTOCOL
slattach /dev/ttyS1 MODE & slip=$!
sleep 1
ifconfig sl0 192.0.2.2 pointopoint 192.0.2.1 mtu 576 up
route add -host 192.0.2.1 dev sl0 2>/dev/null
PULL
echo END PROTOCOL
kill $slip
sleep 1
"""
_PPP = """
echo BEGIN ppp
LD_LIBRARY_PATH=/lib/all pppd /dev/ttyS1 115200 nodetach local noauth noipdefault nodefaultroute mtu 576 mru 576 \\
    lcp-restart 2 ipcp-restart 2 usepeerdns & ppp=$!
PULL
echo END ppp
kill $ppp
sleep 2
"""


def work(protocols: list[str]) -> str:
    parts = []
    for protocol in protocols:
        part = _PPP if protocol == "ppp" else _SLIP.replace("MODE", "1" if protocol == "cslip" else "0")
        parts.append(part.replace("PULL", _PULL).replace("PROTOCOL", protocol))
    return "".join(parts)


@pytest.mark.slow
def test_a_kernel_pulls_over_the_line(tmp_path: Path) -> None:
    """Ping, a name, three fetches at once bit by bit, a 404, over each protocol."""
    protocols = ["slip", "cslip", "ppp"]
    with Cable(115_200) as cable:
        machine = Machine(cable.theirs, work(protocols))
        try:
            for protocol in protocols:
                machine.wait_for(f"BEGIN {protocol}")
                with far_end(cable.ours, 115_200, protocol, FILES) as line:
                    printed = machine.wait_for(f"END {protocol}")
                    assert line.host.refused == 0
                    assert line.host.counts.again <= line.host.counts.segments // 10  # a busy computer's clock
                for name, data in FILES.items():
                    assert f"SUM {protocol} {name[1:]} {hashlib.sha256(data).hexdigest()}" in printed
                assert f"NOT FOUND {protocol}" in printed
            assert printed.count("3 packets received") == 3
            assert printed.count("192.0.2.1") >= 3
        finally:
            machine.close()
