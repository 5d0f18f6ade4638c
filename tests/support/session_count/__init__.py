"""A kind of outcome that only tests know: sessions attended in the first days, compared as means."""
