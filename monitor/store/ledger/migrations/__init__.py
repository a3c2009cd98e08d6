"""The steps that make and change the ledger's tables; steps are only ever added."""
