"""The configuration file: a YAML reader that keeps line numbers, and the models it must fit."""
