"""How shells of a simulated shop dry, by several physics. Nothing here asks the rest of `benchmarks.accuracy`."""
