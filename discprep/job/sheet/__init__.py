"""What the bench sheet says, worked out from the records of a build: pure, and without paths of this computer or
secrets. The faces stand in `report/sheet/`."""

from discprep.job.sheet.derive import facts_from
from discprep.job.sheet.made import DiscMade

__all__ = ["DiscMade", "facts_from"]
