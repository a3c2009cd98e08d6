"""The shop's things as the ledger tells them: what people enter, and the histories that follow."""
