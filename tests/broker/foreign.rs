//! Clients of other makers. They must be installed, so these tests run only where the environment
//! says `TAILLAMP_FOREIGN=1`, and say so where it does not.
