"""The electrode: Nernst factor, buffers, calibration, uncertainty."""
