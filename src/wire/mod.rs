//! Outside formats: bytes to engine words and back.
