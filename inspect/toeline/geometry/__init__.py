"""From the card's corners to a surface with millimetres: camera, plate, the two plates of a fillet."""
