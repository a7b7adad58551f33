"""Measuring a vessel from angiograms: projection, tracing, edges, reconstruction, views, and a phantom."""
