//! Several daemons that share a layout, in virtual time: real engines, real words between them, and
//! a post that can be slow, torn and mended. What goes over a broker is in `tests/deploy/peers.py`.

#[path = "../../simulator/tests/scoring/account.rs"]
mod account;
mod accounts;
mod across;
mod agreement;
mod club;
#[path = "../properties/dice.rs"]
mod dice;
mod identity;
#[path = "../properties/settle.rs"]
mod settle;
mod silence;
