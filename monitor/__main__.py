"""`python -m monitor` is `bagwright`."""

from monitor.cli import main

main()
