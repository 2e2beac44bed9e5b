"""A simulated site: honest string physics behind a real HTTP face.

| module | holds |
|---|---|
| `chips`, `strings`, `fuses`, `sensor`, `show` | the physics: pure, time is a number they are given |
| `port` | one port put together: switch, fuse, string, sensor, faults |
| `spec`, `scenarios` | what a site consists of (also as YAML); the demo's site and its configuration |
| `site`, `clock` | the whole, in process; clocks that stand still or run faster |
| `shapes`, `misbehave`, `web` | how controllers answer, what they do wrong, and the HTTP servers |
| `control`, `e131` | steering from another process; levels from show data |
"""
