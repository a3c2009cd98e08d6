"""Classes of consumables, their exposure clocks and verdicts, running off."""
