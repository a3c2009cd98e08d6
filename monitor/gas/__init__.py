"""How wet the shielding gas is, whether the regulator sweats, how long to purge."""
