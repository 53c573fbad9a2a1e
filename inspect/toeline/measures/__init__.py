"""From a traced bead to quantities with their uncertainty, and to indications."""
