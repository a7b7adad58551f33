"""The guide catheter as an elastic curve in the aorta."""
