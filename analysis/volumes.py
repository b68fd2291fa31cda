"""The trapped volumes of a run: as they hold gas, and as they act on pressure.

What gives (diaphragm, hoses) makes a volume act larger on pressure than the gas that it
holds: dn/dP is of the volume and of how it grows. Warming at an even amount moves the
pressure by the gas it holds alone.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from records.judgement import BudgetLine, Shape

from .readings import Readings


@dataclass(frozen=True, slots=True, kw_only=True)
class EffectiveVolume:
    """A trapped volume as it acts on pressure.

    From the rig file, the allowance for what gives is one-sided: the volume lies
    anywhere between rigid and rigid plus allowance. Where the run found it, that is
    taken.

    Attributes:
        volume: dn/dP over that of a cubic metre, m3. holds: the rigid volume, m3.
        u_rigid, u_allowance, u_found: standard uncertainties, m3.
        found_in: step that found it, "" for the rig file's.
    """

    volume: float
    holds: float
    u_rigid: float = 0.0
    u_allowance: float = 0.0
    u_found: float = 0.0
    found_in: str = ""

    @property
    def u(self) -> float:
        """Standard uncertainty of ``volume``, m3."""
        return math.hypot(self.u_rigid, self.u_allowance, self.u_found)

    def lines(self, role: str, acting: float, holding: float) -> list[BudgetLine]:
        """Return the budget lines of a finding that depends on the volume.

        Args:
            role: of the channel.
            acting: change of the finding per m3 of ``volume``.
            holding: change of it per m3 of ``holds``.
        """
        if self.found_in:
            return [
                BudgetLine(
                    source=f"volume_{role}",
                    u=self.u_found,
                    sensitivity=acting,
                    value=self.volume,
                ),
                BudgetLine(
                    source=f"volume_rigid_{role}",
                    u=self.u_rigid,
                    sensitivity=holding,
                    value=self.holds,
                ),
            ]
        return [
            BudgetLine(
                source=f"volume_{role}",
                u=self.u_rigid,
                sensitivity=acting + holding,
                value=self.volume,
            ),
            BudgetLine(
                source=f"allowance_{role}",
                u=self.u_allowance,
                sensitivity=acting,
                shape=Shape.RECTANGULAR,
            ),
        ]


Volumes = dict[str, EffectiveVolume]


def effective_volume(
    readings: Readings, role: str, found: Volumes | None = None
) -> EffectiveVolume | None:
    """Return the effective volume on a channel's side, or None when not known.

    Args:
        readings: the run's channels.
        role: of the side's channel.
        found: volumes that the run itself found, by role; they go before the rig's.
    """
    here = None if found is None else found.get(role)
    traits = readings.traits
    if traits is None or role not in traits.volumes:
        return here
    stated = traits.volumes[role]
    rigid, u_rigid = stated.volume.value_si, stated.u.value_si
    if here is not None:
        return EffectiveVolume(
            volume=here.volume,
            holds=min(rigid, here.volume),
            u_rigid=u_rigid,
            u_found=here.u_found,
            found_in=here.found_in,
        )
    allowance = max(0.0, stated.allowance.value_si)
    return EffectiveVolume(
        volume=rigid + 0.5 * allowance,
        holds=rigid,
        u_rigid=u_rigid,
        u_allowance=allowance / math.sqrt(12.0),
    )
