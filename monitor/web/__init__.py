"""The pages and the JSON interface: they read everything and decide nothing."""
