"""Demo beats by synthesis, in an invented scenario, and the demo run."""
