"""Effect sizes from summary numbers; model-based effects live with their model.

Every standardised effect names its denominator: the same difference is small or large by what it is
divided by.
"""
