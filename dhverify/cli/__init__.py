"""The command line: options -> one call of the package -> writers."""
