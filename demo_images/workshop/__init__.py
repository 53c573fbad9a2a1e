"""The invented evening-class workshop: weld beads, plates, benches, lamps and phones that never existed.

One renderer serves the demo photos and the training of the bead reader. A relief (height field) with materials is
lit by a few soft lights and a dome and seen through a phone's lens. Lengths in mm, tensors (B, C, H, W).
"""
