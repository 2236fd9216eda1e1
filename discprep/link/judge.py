"""All that is wrong with a link's settings, asked in one place."""

from __future__ import annotations

from discprep.link.ends import compare_ends, overruns
from discprep.link.notices import drops, resends
from discprep.link.trouble import Trouble
from discprep.model import BridgeSettings, LinkSettings, Profile


def troubles(
    link: LinkSettings, bridge: BridgeSettings | None, profile: Profile | None, *, other_server: bool
) -> tuple[Trouble, ...]:
    """What makes the link impossible, loses characters or costs time, as far as both ends are described.
    `other_server`: it may be any at the other end, not one that knows its line."""
    ends = (*compare_ends(link, bridge, profile), *overruns(link, profile, bridge))
    if not other_server:
        return ends
    return (*ends, *resends(link, bridge, profile), *drops(link, bridge, profile))
