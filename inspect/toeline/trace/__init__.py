"""From pixels to a traced bead: find it, straighten it, read it, follow both toes."""
