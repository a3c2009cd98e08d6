"""Dryshift: watches a welding shop's air and says, before the shift, what will get wet."""

__version__ = "0.1.0"
