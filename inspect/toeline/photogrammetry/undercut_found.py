"""Undercut that is surely there by its depth, measured over the plate, where the face photo shows none."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from statistics import NormalDist

import numpy as np

from toeline.measures.figures import IndicationFigures
from toeline.measures.indications import runs, undercut_number
from toeline.photogrammetry.groove import Groove
from toeline.photogrammetry.relief import Relief
from toeline.result import Bead, Indication, Quantity, Side
from toeline.uncertainty import COVERAGE

#: How surely what is deeper than its own U is there.
_SURE = NormalDist().cdf(COVERAGE)


def undercut_by_depth(
    relief: Relief, grooves: Mapping[Side, Groove], bead: Bead, indications: tuple[Indication, ...]
) -> tuple[Indication, ...]:
    """Runs along the toes where a depth is told that lies beyond its own U, without those already indicated."""
    return tuple(
        _indication(relief, bead, side, *run)
        for side, groove in grooves.items()
        for run in _runs(relief, groove, [one for one in indications if one.kind == "undercut" and one.side == side])
    )


def with_lengths(measures: Mapping[str, Quantity], found: tuple[Indication, ...]) -> dict[str, Quantity]:
    """The lengths of undercut with these runs; how much is not seen stays as unsure as the face photo leaves it."""
    out = {}
    for name in ("left", "right", "total"):
        more = [one for one in found if name in (one.side, "total")]
        length = measures.get(f"undercut_length_{name}")
        if more and length is not None and length.value is not None:
            value = length.value + sum((one.to or 0.0) - (one.from_ or 0.0) for one in more)
            out[f"undercut_length_{name}"] = length.model_copy(update={"value": value})
    return out


def _runs(relief: Relief, groove: Groove, shown: list[Indication]) -> Iterator[tuple[float, float]]:
    """From and to along the seam, mm."""
    rule = IndicationFigures.read().undercut
    seam = np.interp(groove.s, relief.seam[:, 1], relief.seam[:, 0])
    surely = groove.told & (groove.depth > COVERAGE * groove.u_depth)
    for one in shown:
        if one.from_ is not None and one.to is not None:
            surely &= (seam < one.from_ - rule.bridge) | (seam > one.to + rule.bridge)
    for run in runs(surely.astype(float), float(groove.s[1] - groove.s[0]), rule):
        yield float(seam[run.first]), float(seam[run.last])


def _indication(relief: Relief, bead: Bead, side: Side, begin: float, end: float) -> Indication:
    """The run as an indication at its middle."""
    k = int(np.abs(np.array(bead.s) - (begin + end) / 2).argmin())
    on_base = relief.side == (1 if side == "left" else -1)
    toe, toe_px = (bead.left_toe, bead.left_toe_px) if side == "left" else (bead.right_toe, bead.right_toe_px)
    return Indication.model_validate(
        {
            "kind": "undercut",
            "iso6520": undercut_number(end - begin),
            "side": side,
            "plate": ("base" if on_base else "upright") if relief.side else None,
            "from": begin,
            "to": end,
            "at": toe[k] if toe else None,
            "at_px": toe_px[k],
            "confidence": _SURE,
            "why": f"a groove along the {side} toe by its depth in several photos; the face photo does not show it",
        }
    )
