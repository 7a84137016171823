//! The host's analog inputs: a Modbus TCP server with one 16-bit input register a device, raw 0..65535 = 0..24 mA.

use super::Devices;
use crate::device::{INPUT_FULL_MA, INPUT_FULL_RAW};
use ingest_model::UtcMicros;
use std::future::{Ready, ready};
use std::sync::Arc;
use std::time::Duration;
use tokio::net::TcpListener;
use tokio_modbus::server::Service;
use tokio_modbus::server::tcp::{Server, accept_tcp_connection};
use tokio_modbus::{ExceptionCode, Request, Response, SlaveRequest};
use tokio_util::sync::CancellationToken;

/// Most registers one request may ask for (Modbus application protocol).
const MAX_REGISTERS: u16 = 125;

/// Register value of a current; beyond the input's ends it stays there, and an unknown current reads 0.
fn raw(ma: f64) -> u16 {
    // A cast from float to integer saturates, and NaN becomes 0.
    (ma / INPUT_FULL_MA * INPUT_FULL_RAW).round() as u16
}

struct Inputs {
    devices: Arc<dyn Devices>,
    clock: fn() -> UtcMicros,
}

impl Inputs {
    fn read(&self, address: u16, count: u16) -> Result<Response, ExceptionCode> {
        if !(1..=MAX_REGISTERS).contains(&count) {
            return Err(ExceptionCode::IllegalDataValue);
        }
        let first = usize::from(address);
        let all = first..first + usize::from(count);
        if all.end > self.devices.cards().len() {
            return Err(ExceptionCode::IllegalDataAddress);
        }
        let now = (self.clock)();
        let words = all.map(|i| raw(self.devices.analog_ma(i, now))).collect();
        Ok(Response::ReadInputRegisters(words))
    }
}

impl Service for Inputs {
    type Request = SlaveRequest<'static>;
    type Response = Response;
    type Exception = ExceptionCode;
    type Future = Ready<Result<Response, ExceptionCode>>;

    fn call(&self, request: Self::Request) -> Self::Future {
        ready(match request.request {
            Request::ReadInputRegisters(address, count) => self.read(address, count),
            _ => Err(ExceptionCode::IllegalFunction),
        })
    }
}

/// Serves the inputs until told to stop. Register = index of the device in [`Devices::cards`]; any unit id is answered.
pub async fn serve(
    listener: TcpListener,
    devices: Arc<dyn Devices>,
    clock: fn() -> UtcMicros,
    shutdown: CancellationToken,
) {
    let server = Server::new(listener);
    let inputs = Arc::new(Inputs { devices, clock });
    let connected = |stream, from| {
        let inputs = Arc::clone(&inputs);
        async move { accept_tcp_connection(stream, from, |_| Ok(Some(Arc::clone(&inputs)))) }
    };
    let broken = |e: std::io::Error| tracing::debug!("analog input connection: {e}");
    loop {
        tokio::select! {
            () = shutdown.cancelled() => return,
            ended = server.serve(&connected, broken) => {
                if let Err(e) = ended {
                    tracing::warn!("analog inputs: accept a connection: {e}");
                }
                tokio::time::sleep(Duration::from_millis(100)).await;
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::raw;

    #[test]
    fn current_to_register() {
        assert_eq!(raw(0.0), 0);
        assert_eq!(raw(12.0), 32_768);
        assert_eq!(raw(24.0), 65_535);
        assert_eq!((raw(-1.0), raw(30.0), raw(f64::NAN)), (0, 65_535, 0));
    }
}
