"""`python -m sidetap`: the same as the command `sidetap`."""

from sidetap.cli.main import main

main()
