//! The HART wire, sans IO: frames, read commands, answers, status, HART-IP messages, session and polling plan.
//!
//! Nothing here opens a socket, asks for the time or allocates while decoding. The encoder takes a [`Request`], which is
//! built from [`ReadCommand`]s only: a write, trim, reset or fixed-current command cannot be expressed.
//!
//! ```compile_fail
//! // Command 40 (fixed current) has no variant, and there is no way in from a number.
//! let c = ingest_hart::ReadCommand::FixedCurrent(4.0);
//! ```
//! ```compile_fail
//! use ingest_hart::{Request, UniqueAddress};
//! let to = UniqueAddress::new(0x6A31, 0x0B1C2D);
//! let r = Request::Direct { to, command: 40 };
//! ```
//! ```compile_fail
//! // 77 cannot be nested: what it carries is a `ReadCommand`, and 77 is none.
//! use ingest_hart::{ReadCommand, Request, UniqueAddress};
//! let a = UniqueAddress::new(0x6A31, 0x0B1C2D);
//! let inner = Request::Through { io_system: a, card: 0, channel: 0, to: a, command: ReadCommand::Identity };
//! let r = Request::Through { io_system: a, card: 0, channel: 0, to: a, command: inner };
//! ```
#![cfg_attr(not(test), no_std)]

extern crate alloc;

pub mod answer;
pub mod command;
pub mod data;
pub mod frame;
pub mod gate;
pub mod hartip;
pub mod plan;
pub mod session;
pub mod status;
pub mod timing;
pub mod unit_code;

pub use command::{Codes, EncodeError, MAX_REQUEST_LEN, ReadCommand, Request};
pub use data::{Date, Float, Latin1, PackedAscii, Time32};
pub use frame::{Address, Frame, FrameError, FrameType, Master, UniqueAddress};
pub use gate::OptIn;
pub use status::{CodeClass, Status};
