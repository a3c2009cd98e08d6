"""The commands of the `dryshift` command line, one module a purpose."""
