//! The wire side of the simulation: gateways that speak HART-IP, modems that take their time, analog inputs.
//!
//! Knows the plant only through [`Devices`]; its byte tables are written from the standards' layouts, not
//! from the collector's encoder, so that a mistake on one side shows.

pub mod analog;
mod answers;
pub mod gateway;
pub mod hostile;
#[cfg(test)]
mod loopback_tests;
mod modem;
mod pdu;
mod session;

use ingest_model::UtcMicros;

/// What never changes about a simulated device (until it is exchanged).
#[derive(Clone, Debug, PartialEq)]
pub struct DeviceCard {
    pub tag: String,
    /// Index of the gateway, of the modem in it (I/O card) and of the channel on it.
    pub gateway: usize,
    pub modem: u8,
    pub channel: u8,
    pub device_type: u16,
    pub device_id: u32,
    pub device_revision: u8,
    /// 5, 6 or 7.
    pub universal_revision: u8,
    /// HART unit code (HCF_SPEC-183 common table 2) of the primary and secondary variable.
    pub pv_unit_code: u8,
    pub sv_unit_code: u8,
    pub lrv: f32,
    pub urv: f32,
    /// Transfer function code: 0 linear, 1 square root.
    pub transfer_code: u8,
    pub damping_s: f32,
    pub multidrop: bool,
}

/// A device at one instant.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct DeviceState {
    /// NaN = not available.
    pub pv: f32,
    pub sv: f32,
    pub loop_ma: f32,
    pub device_status: u8,
    pub extended_status: u8,
    pub config_counter: u16,
    /// False = it does not answer at this instant (broken wire, lost power, no reply).
    pub answers: bool,
    /// True = this exchange is corrupted on the wire (communication error or no answer).
    pub exchange_fails: bool,
}

/// The plant as the wire side sees it: pure functions of time.
pub trait Devices: Send + Sync + 'static {
    fn gateways(&self) -> Vec<String>;
    fn cards(&self) -> &[DeviceCard];
    /// State of device `index` (into [`cards`](Self::cards)) at `now`.
    fn state(&self, index: usize, now: UtcMicros) -> DeviceState;
    /// Current at the host's input for device `index`, mA.
    fn analog_ma(&self, index: usize, now: UtcMicros) -> f64;
    /// Requests sent to device `index` and answers received so far, mod 2^16: where its gateway goes on counting.
    fn counted(&self, _index: usize) -> [u16; 2] {
        [0, 0]
    }
    /// An exchange with device `index` is over; `good` = its answer arrived whole.
    fn exchanged(&self, _index: usize, _good: bool) {}
}
