"""`python -m busprobe`."""

from busprobe.launch import main

main()
