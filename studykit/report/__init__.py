"""Tables, figures, wording and pages: the only rounding, plotting and markup."""
