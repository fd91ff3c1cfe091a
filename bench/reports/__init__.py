"""Reports on a measurement (one HTML file, or PDF) and the history of a unit: what is shown, and how it is written down."""
