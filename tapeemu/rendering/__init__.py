"""Files through chains: one, or a thousand."""
