"""Fillet welds: two plates from two cards, unfolded at the root line, and the weld's size on them."""

from toeline.fillet.frame import FilletFrame, Wedge
from toeline.fillet.legs import (
    measure_fillet,
    name_plates,
    plate_of,
    sizes_along,
    throat_and_face,
    toe_problems,
    undersize_share,
    unknown_fillet,
)
from toeline.fillet.one_card import fillet_from_one_card, root_ends
from toeline.fillet.two_cards import FilletError, fillet_from_cards

__all__ = [
    "FilletError",
    "FilletFrame",
    "Wedge",
    "fillet_from_cards",
    "fillet_from_one_card",
    "measure_fillet",
    "name_plates",
    "plate_of",
    "root_ends",
    "sizes_along",
    "throat_and_face",
    "toe_problems",
    "undersize_share",
    "unknown_fillet",
]
