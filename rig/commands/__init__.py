"""One module a command; each holds a click command named ``command``."""
