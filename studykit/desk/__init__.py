"""The front desk: a study is run from a page. Routes call `study`; no rule and no statistics live here."""
