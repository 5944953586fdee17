"""`python -m monitor` is the command `jartide`."""

from monitor.cli import main

main()
