"""A card's brackets found, audited, merged and repaired in the browser, on this machine alone."""
