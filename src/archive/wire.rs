//! The byte stream under an association: TCP, or TLS over TCP, where every wait ends.
//!
//! Two limits hold at once: how long the other side may be silent, and a moment at which whatever is under way is over. The
//! second one is what a peer that sends a byte now and then runs into.

use std::io::{self, Read, Write};
use std::net::{Shutdown, SocketAddr, TcpStream, ToSocketAddrs};
use std::sync::Arc;
use std::time::{Duration, Instant};

use rustls::pki_types::ServerName;
use rustls::{ClientConfig, ClientConnection, ServerConfig, ServerConnection, StreamOwned};

use crate::error::{Error, ErrorKind, Result};

/// A socket whose every read and write is over by a known moment.
#[derive(Debug)]
pub(super) struct Timed {
    tcp: TcpStream,
    silence: Duration,
    until: Instant,
}

impl Timed {
    fn left(&self) -> io::Result<Duration> {
        let left = self.until.saturating_duration_since(Instant::now()).min(self.silence);
        if left.is_zero() { Err(io::ErrorKind::TimedOut.into()) } else { Ok(left) }
    }
}

fn timed_out(e: io::Error) -> io::Error {
    // What Unix answers when the time of a socket is up.
    if e.kind() == io::ErrorKind::WouldBlock { io::ErrorKind::TimedOut.into() } else { e }
}

impl Read for Timed {
    fn read(&mut self, into: &mut [u8]) -> io::Result<usize> {
        self.tcp.set_read_timeout(Some(self.left()?))?;
        self.tcp.read(into).map_err(timed_out)
    }
}

impl Write for Timed {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        self.tcp.set_write_timeout(Some(self.left()?))?;
        self.tcp.write(bytes).map_err(timed_out)
    }

    fn flush(&mut self) -> io::Result<()> {
        self.tcp.flush()
    }
}

/// The stream.
#[derive(Debug)]
pub(super) enum Wire {
    /// In clear.
    Plain(Timed),
    /// This side called.
    Called(Box<StreamOwned<ClientConnection, Timed>>),
    /// This side was called.
    Answered(Box<StreamOwned<ServerConnection, Timed>>),
}

impl Wire {
    /// Calls `host`. `tls` holds the configuration and the name in the other side's certificate.
    pub(super) fn call(
        host: &str,
        port: u16,
        tls: Option<(Arc<ClientConfig>, &str)>,
        connect: Duration,
        silence: Duration,
    ) -> Result<Self> {
        let place = format!("{host}:{port}");
        let unreachable = |e: &dyn std::fmt::Display| link(&format!("{place} does not answer")).found(e.to_string());
        let addresses: Vec<SocketAddr> = (host, port).to_socket_addrs().map_err(|e| unreachable(&e))?.collect();
        let mut last = io::Error::from(io::ErrorKind::NotFound);
        for address in addresses {
            match TcpStream::connect_timeout(&address, connect) {
                Ok(tcp) => {
                    let timed = Timed::over(tcp, silence, silence).map_err(|e| unreachable(&e))?;
                    let Some((config, name)) = tls else { return Ok(Self::Plain(timed)) };
                    return Self::secured(timed, config, name);
                }
                Err(e) => last = e,
            }
        }
        Err(unreachable(&last))
    }

    fn secured(timed: Timed, config: Arc<ClientConfig>, name: &str) -> Result<Self> {
        let name = ServerName::try_from(name.to_owned())
            .map_err(|_| Error::new(ErrorKind::Usage, "the name in the certificate cannot be used").expected("a host name").found(name))?;
        let connection = ClientConnection::new(config, name).map_err(|e| no_tls(&e))?;
        let mut stream = StreamOwned::new(connection, timed);
        while stream.conn.is_handshaking() {
            stream.conn.complete_io(&mut stream.sock).map_err(|e| no_tls(&e))?;
        }
        Ok(Self::Called(Box::new(stream)))
    }

    /// Takes a call. The whole of what comes before the association has to be over within `until_known`.
    pub(super) fn answer(tcp: TcpStream, tls: Option<Arc<ServerConfig>>, until_known: Duration) -> Result<Self> {
        let timed = Timed::over(tcp, until_known, until_known).map_err(|e| link("the connection was lost").found(e.to_string()))?;
        let Some(config) = tls else { return Ok(Self::Plain(timed)) };
        let connection = ServerConnection::new(config).map_err(|e| no_tls(&e))?;
        let mut stream = StreamOwned::new(connection, timed);
        while stream.conn.is_handshaking() {
            stream.conn.complete_io(&mut stream.sock).map_err(|e| no_tls(&e))?;
        }
        Ok(Self::Answered(Box::new(stream)))
    }

    fn timed(&mut self) -> &mut Timed {
        match self {
            Self::Plain(t) => t,
            Self::Called(s) => &mut s.sock,
            Self::Answered(s) => &mut s.sock,
        }
    }

    /// From now on a silence may be so long, and all that follows must be over within `whole`.
    pub(super) fn allow(&mut self, silence: Duration, whole: Duration) {
        let timed = self.timed();
        timed.silence = silence;
        timed.until = Instant::now() + whole;
    }

    /// Ends the connection, whatever state it is in.
    pub(super) fn close(&mut self) {
        if let Self::Called(s) = self {
            s.conn.send_close_notify();
            let _ = s.flush();
        } else if let Self::Answered(s) = self {
            s.conn.send_close_notify();
            let _ = s.flush();
        }
        // The other side may have gone already, which is as good.
        let _ = self.timed().tcp.shutdown(Shutdown::Both);
    }
}

impl Timed {
    fn over(tcp: TcpStream, silence: Duration, whole: Duration) -> io::Result<Self> {
        tcp.set_nodelay(true)?;
        Ok(Self { tcp, silence, until: Instant::now() + whole })
    }
}

impl Read for Wire {
    fn read(&mut self, into: &mut [u8]) -> io::Result<usize> {
        match self {
            Self::Plain(t) => t.read(into),
            Self::Called(s) => s.read(into),
            Self::Answered(s) => s.read(into),
        }
    }
}

impl Write for Wire {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        match self {
            Self::Plain(t) => t.write(bytes),
            Self::Called(s) => s.write(bytes),
            Self::Answered(s) => s.write(bytes),
        }
    }

    fn flush(&mut self) -> io::Result<()> {
        match self {
            Self::Plain(t) => t.flush(),
            Self::Called(s) => s.flush(),
            Self::Answered(s) => s.flush(),
        }
    }
}

/// A failure of the link: trying again later may help.
pub(super) fn link(what: &str) -> Error {
    Error::new(ErrorKind::Io, what)
}

pub(super) fn no_tls(e: &dyn std::fmt::Display) -> Error {
    link("no secure connection could be made")
        .found(e.to_string())
        .remedy("See tls in the archive settings: trust names who signs the archive's certificate, which must be for this very address")
}
