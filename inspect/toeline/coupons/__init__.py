"""A class of coupons: who welded which, measured, scored by a rubric, and what each learner gets."""
