"""What there is to judge by: measures, indications, gauge readings and statements; no pixels here."""
