"""The stages that the one pure step chains: believed air, bodies, packages, observations, the picture."""
