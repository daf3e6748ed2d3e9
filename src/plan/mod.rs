//! The plan file: the description of the layout, checked and resolved.
