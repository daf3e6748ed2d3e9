//! The rules of detection, occupancy, clearance, trains and alarms, told as stories.
//!
//! Each test gives a plan, a story (what detectors, points, switches and people say, and when) and
//! what must come of it. The story becomes a recording and goes through `taillamp replay`, so that
//! what is tested is what anybody outside can see. A test's name starts with the rule that it
//! holds (`b4_...`, `t1_...`); a check against something outside the project names its source
//! beside it.

mod ahead;
mod alarms;
mod aside;
mod clearance;
mod close;
mod corners;
mod corners_points;
mod corners_trains;
mod divided;
mod drawn_back;
mod evidence;
mod expected;
mod feeds;
mod health;
mod layouts;
mod line_up;
mod lost;
mod memory;
mod order;
mod places;
mod plans;
mod points;
mod power;
mod recording;
mod regulations;
mod replay;
mod set_back;
mod silence;
mod speed;
mod stories;
mod story;
mod tables;
mod tails;
mod trains;
mod warnings;
