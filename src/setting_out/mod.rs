//! Pure tools for setting out and commissioning.
