//! The road: the ways between two blocks, what to set for each, what is in the way, whether it is
//! ready. Against hand-worked answers, against two ways of counting that share no code with the
//! search, and from outside through the command line.

mod by_hand;
mod command;
mod counted;
mod foreign;
mod limits;
mod standing;
mod world;
