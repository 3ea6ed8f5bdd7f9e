"""How far bare art metal stays from a circuit whose voltage can hurt: the larger of two published distances.

They are a guard against a mistake, and no design: what distance a product needs depends on its standard, its pollution
degree, its laminate and its height above the sea, and a licensed engineer decides.
"""

from __future__ import annotations

import bisect
import math
from dataclasses import dataclass

from worker.engine.report.cautions import is_hazardous
from worker.errors import SettingsError
from worker.job_settings import Settings

IPC_2221_B2 = (
    (15.0, 0.1),
    (30.0, 0.1),
    (50.0, 0.6),
    (100.0, 0.6),
    (150.0, 0.6),
    (170.0, 1.25),
    (250.0, 1.25),
    (300.0, 1.25),
    (500.0, 2.5),
)
"""Up to so many volts (DC or AC peak), so many mm: IPC-2221 table 6-1, column B2, outer conductors, uncoated, up to
3050 m. Up to 170 V and at 250 V from adapted tables; at 300 V and 500 V from memory."""
IPC_2221_B2_PER_V = 0.005
"""mm for each volt above 500 V, likewise from memory."""

IEC_60664_1_BASIC = (
    (50.0, 1.2),
    (63.0, 1.25),
    (80.0, 1.3),
    (100.0, 1.4),
    (125.0, 1.5),
    (160.0, 1.6),
    (200.0, 2.0),
    (250.0, 2.5),
    (320.0, 3.2),
    (400.0, 4.0),
    (500.0, 5.0),
    (630.0, 6.3),
    (800.0, 8.0),
    (1000.0, 10.0),
)
"""Up to so many volts (DC or AC rms), so many mm: creepage for basic insulation, pollution degree 2, material group III
(FR-4), IEC 60664-1. All from memory."""
REINFORCED = 2.0
"""Between what is live and what a hand may touch IEC 60664-1 asks for twice the basic distance (from memory)."""

SOURCES = (
    "IPC-2221 table 6-1, column B2 (second-hand; above 300 V from memory), and IEC 60664-1, pollution degree 2, "
    "material group III, reinforced (from memory)"
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Creepage:
    """mm : the distance that is kept. ipc_mm, iec_mm : what each of the two asks for."""

    mm: float
    ipc_mm: float
    iec_mm: float

    @property
    def text(self) -> str:
        """What is kept, and where it comes from."""
        return f"{self.mm:g} mm, the larger of {self.ipc_mm:g} mm and {self.iec_mm:g} mm ({SOURCES})"


def creepage_kept(settings: Settings) -> Creepage | None:
    """What bare art metal keeps, where a job makes it at a hazardous voltage; None elsewhere. Raises SettingsError."""
    if not is_hazardous(settings) or settings.bare_metal != "keep" or settings.voltage is None:
        return None
    return creepage_for(settings.voltage, settings.voltage_kind)


def creepage_for(volts: float, kind: str) -> Creepage:
    """The distance for a voltage; `kind` : "dc", "ac" (rms) or "unknown", which counts as AC.

    Rows are not interpolated: the next higher one counts. SettingsError above what the tables hold.
    """
    peak = volts if kind == "dc" else volts * math.sqrt(2.0)
    row = bisect.bisect_left([most for most, _ in IPC_2221_B2], peak)
    ipc = IPC_2221_B2[row][1] if row < len(IPC_2221_B2) else 2.5 + (peak - 500.0) * IPC_2221_B2_PER_V
    row = bisect.bisect_left([most for most, _ in IEC_60664_1_BASIC], volts)
    if row == len(IEC_60664_1_BASIC):
        raise SettingsError(
            f"The voltage is {volts:g} V, and the spacing tables end at {IEC_60664_1_BASIC[-1][0]:g} V.",
            mend="Leave bare metal out (bare_metal = auto), and have a licensed engineer set the spacing.",
            setting="voltage",
        )
    iec = IEC_60664_1_BASIC[row][1] * REINFORCED
    return Creepage(mm=round(max(ipc, iec), 3), ipc_mm=round(ipc, 3), iec_mm=iec)
