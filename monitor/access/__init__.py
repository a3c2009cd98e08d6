"""Who is let in: accounts, sessions, one-time links, shared tablets and wall screens."""
