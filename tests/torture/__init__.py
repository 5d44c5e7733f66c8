"""Proof that farmwatch runs unattended: `make torture` prints the table, the tests run a little of each."""
