"""The parts of a running site; `bridge.app` puts them together."""
