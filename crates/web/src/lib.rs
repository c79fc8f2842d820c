//! The local page: the whole job in a browser, served by the program itself.
//!
//! [`serve`] listens on the loopback address, hands its own address to the caller and stays. Pages
//! are plain HTML that works without script; one hand-written script adds sliders and read-outs.
//! Handlers parse, call the core and render; nothing here computes a figure of its own.
//!
//! # What is refused
//!
//! A page on a local port can be reached by every site that the same browser has open. Requests are
//! therefore answered only if their `Host` is one of the server's own names (against addresses that
//! are rebound to the loopback address), their `Origin`, if any, is the server itself, and, where
//! they change something, if they carry the token that only its own forms have. Bodies and headers
//! have limits of size and time. No path from a request is ever opened: files are chosen from a list
//! that the server made itself.

mod degrees;
mod error;
mod field;
mod figure;
mod guard;
mod html;
mod number;
mod pages;
mod server;
mod state;

pub use error::WebError;
pub use server::{Config, MakeExample, Ready, serve};
