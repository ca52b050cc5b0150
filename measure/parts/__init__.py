"""What the quantities are made of: signals, demodulation, spectra, detectors, weightings, fits."""
