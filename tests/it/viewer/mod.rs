//! The window: its session without drawing, its screens, and driven by label.

mod agreement;
mod archive;
mod cine;
mod display;
mod drawn;
mod drive;
mod exam;
mod first_steps;
mod flow;
mod invented;
mod pages;
mod plan;
mod practice;
mod raster;
mod report;
mod review;
mod scale;
mod screens;
mod session;
mod teaching;
mod trust;
