"""The ledger of events: chained, with outbox and checkpoint."""
