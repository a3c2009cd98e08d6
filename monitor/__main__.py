"""`python -m monitor` is `dryshift`."""

from monitor.cli.main import main

if __name__ == "__main__":
    main()
