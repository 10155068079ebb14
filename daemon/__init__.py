"""Everything that touches the world: arrivals, workers, decoding, rendering, publishing, the command line."""
