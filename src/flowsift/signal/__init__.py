"""From metered volumes to single uses: trickle, runs of flow, steps of rate, and overlapping uses taken apart."""
