"""The laboratory: wow and flutter, amplitude fluctuation, distortion, decay, response and level in figures."""
