"""All checks that `canlevel explain` makes, in the order in which equally bad findings are shown.

A further check: a function in one of the modules below, or in a module of its own, and its name here. DEVELOPERS.md, "How to
add a finding", has one from beginning to end.
"""

from __future__ import annotations

from canlevel.findings.bus_checks import BUS_CHECKS
from canlevel.findings.checks import Check
from canlevel.findings.identity_checks import IDENTITY_CHECKS
from canlevel.findings.roster_checks import ROSTER_CHECKS
from canlevel.findings.time_checks import TIME_CHECKS
from canlevel.findings.value_checks import VALUE_CHECKS

__all__ = ["CHECKS"]

CHECKS: tuple[Check, ...] = (*BUS_CHECKS, *ROSTER_CHECKS, *IDENTITY_CHECKS, *TIME_CHECKS, *VALUE_CHECKS)
