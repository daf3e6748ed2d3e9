//! The socket of one connection and its two buffers.
//!
//! In and out: bytes. Buffers grow with what comes and are given back when it is gone, so that an
//! idle client costs next to nothing. It knows nothing of packets but the one that answers
//! CONNECT.

use std::io;

use bytes::BytesMut;
use rumqttc::mqttbytes::v4::ConnectReturnCode;
use tokio::net::TcpStream;

/// Room for reading while little comes, and while much comes.
const READ_SMALL: usize = 1_024;
const READ_LARGE: usize = 16 * 1_024;

/// An emptied buffer larger than this is given back.
const KEEP: usize = 32 * 1_024;

/// The socket and its two buffers.
pub(super) struct Wire {
    pub(super) stream: TcpStream,
    pub(super) inbound: BytesMut,
    pub(super) out: BytesMut,
    /// The last read filled the buffer.
    busy: bool,
}

impl Wire {
    pub(super) fn new(stream: TcpStream) -> Self {
        Self {
            stream,
            inbound: BytesMut::new(),
            out: BytesMut::new(),
            busy: false,
        }
    }

    /// Waits until something came.
    pub(super) async fn read_some(&mut self) -> io::Result<()> {
        loop {
            self.stream.readable().await?;
            if self.try_read()? {
                return Ok(());
            }
        }
    }

    /// True when something came; an error at the end of the stream too.
    pub(super) fn try_read(&mut self) -> io::Result<bool> {
        let room = if self.busy { READ_LARGE } else { READ_SMALL };
        if self.inbound.capacity() - self.inbound.len() < room {
            self.inbound.reserve(room);
        }
        let room = self.inbound.capacity() - self.inbound.len();
        match self.stream.try_read_buf(&mut self.inbound) {
            Ok(0) => Err(io::ErrorKind::UnexpectedEof.into()),
            Ok(count) => {
                self.busy = count >= room;
                Ok(true)
            }
            Err(error) if error.kind() == io::ErrorKind::WouldBlock => Ok(false),
            Err(error) => Err(error),
        }
    }

    /// Writes what the socket takes; true when it took something.
    pub(super) fn write_some(&mut self) -> io::Result<bool> {
        let mut progress = false;
        while !self.out.is_empty() {
            match self.stream.try_write(&self.out) {
                Ok(0) => return Err(io::ErrorKind::WriteZero.into()),
                Ok(count) => {
                    let _ = self.out.split_to(count);
                    progress = true;
                }
                Err(error) if error.kind() == io::ErrorKind::WouldBlock => return Ok(progress),
                Err(error) => return Err(error),
            }
        }
        if self.out.capacity() > KEEP {
            self.out = BytesMut::new();
        }
        Ok(progress)
    }

    /// CONNACK (MQTT 3.1.1, 3.2): its four bytes, which nothing can refuse.
    pub(super) fn put_answer(&mut self, code: ConnectReturnCode, present: bool) {
        let code = match code {
            ConnectReturnCode::Success => 0,
            ConnectReturnCode::RefusedProtocolVersion => 1,
            ConnectReturnCode::BadClientId => 2,
            ConnectReturnCode::ServiceUnavailable => 3,
            ConnectReturnCode::BadUserNamePassword => 4,
            ConnectReturnCode::NotAuthorized => 5,
        };
        self.out
            .extend_from_slice(&[0x20, 2, u8::from(present), code]);
    }

    pub(super) async fn answer(&mut self, code: ConnectReturnCode) -> io::Result<()> {
        self.put_answer(code, false);
        while !self.out.is_empty() {
            self.stream.writable().await?;
            self.write_some()?;
        }
        Ok(())
    }
}
