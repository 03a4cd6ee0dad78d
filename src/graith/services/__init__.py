"""Use cases: gather, decide, apply; what they need from the edges is said as Protocols."""
