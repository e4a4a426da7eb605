//! How many may come in: connections in all and from one address, requests of one tablet at a time, and how long a silent
//! connection is kept. Whoever is turned away loses nothing: a tablet asks again.

use axum_server::accept::Accept;
use journal::Incarnation;
use std::collections::HashMap;
use std::future::{Ready, ready};
use std::io;
use std::net::IpAddr;
use std::pin::Pin;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::task::{Context, Poll};
use std::time::Duration;
use tokio::io::{AsyncRead, AsyncWrite, ReadBuf};
use tokio::net::TcpStream;
use tokio::time::{Instant, Sleep};

/// Connections at once, over all listeners.
pub const MOST: usize = 256;
/// Connections at once from one address that is not this machine: a browser opens about six, a tablet one.
pub const MOST_EACH: usize = 16;
/// A connection over which nothing went for so long is closed. Longer than any request may take.
pub const IDLE: Duration = Duration::from_secs(90);
/// Requests of one tablet at a time; a tablet sends one after the other.
pub const MOST_OF_ONE: usize = 4;

/// Lets connections in, up to a limit. Cheap to clone; all clones count together.
#[derive(Clone, Debug)]
pub struct Doors(Arc<Inner>);

#[derive(Debug)]
struct Inner {
    most: usize,
    most_each: usize,
    idle: Duration,
    open: Mutex<(usize, HashMap<IpAddr, usize>)>,
}

impl Default for Doors {
    fn default() -> Self {
        Self::new(MOST, MOST_EACH, IDLE)
    }
}

impl Doors {
    /// Doors with these limits. This machine's own loopback addresses count in all, not each.
    pub fn new(most: usize, most_each: usize, idle: Duration) -> Self {
        Self(Arc::new(Inner { most, most_each, idle, open: Mutex::default() }))
    }

    fn open(&self) -> MutexGuard<'_, (usize, HashMap<IpAddr, usize>)> {
        self.0.open.lock().unwrap_or_else(PoisonError::into_inner)
    }

    fn enter(&self, from: IpAddr) -> Option<Place> {
        let mut open = self.open();
        let (all, each) = &mut *open;
        let here = each.get(&from).copied().unwrap_or(0);
        if *all >= self.0.most || (here >= self.0.most_each && !from.is_loopback()) {
            return None;
        }
        *all += 1;
        each.insert(from, here + 1);
        Some(Place { doors: self.clone(), from })
    }
}

/// One connection's place; given back when it is dropped.
#[derive(Debug)]
struct Place {
    doors: Doors,
    from: IpAddr,
}

impl Drop for Place {
    fn drop(&mut self) {
        let mut open = self.doors.open();
        let (all, each) = &mut *open;
        *all = all.saturating_sub(1);
        match each.get_mut(&self.from) {
            Some(n) if *n > 1 => *n -= 1,
            _ => drop(each.remove(&self.from)),
        }
    }
}

impl<S> Accept<TcpStream, S> for Doors {
    type Stream = Guest;
    type Service = S;
    type Future = Ready<io::Result<(Guest, S)>>;

    fn accept(&self, stream: TcpStream, service: S) -> Self::Future {
        let guest = stream.peer_addr().and_then(|from| {
            let place = self.enter(from.ip()).ok_or_else(|| io::Error::other("too many connections"))?;
            stream.set_nodelay(true)?;
            Ok(Guest { stream, idle: self.0.idle, until: Box::pin(tokio::time::sleep(self.0.idle)), _place: place })
        });
        ready(guest.map(|guest| (guest, service)))
    }
}

/// A connection with its place. Ends where nothing went over it for too long.
#[derive(Debug)]
pub struct Guest {
    stream: TcpStream,
    idle: Duration,
    until: Pin<Box<Sleep>>,
    _place: Place,
}

impl Guest {
    /// What a poll gave; a pending one ends where the time is over, any other begins the time anew.
    fn watch<T>(&mut self, context: &mut Context<'_>, poll: Poll<io::Result<T>>) -> Poll<io::Result<T>> {
        if poll.is_ready() {
            let until = Instant::now() + self.idle;
            self.until.as_mut().reset(until);
            return poll;
        }
        match self.until.as_mut().poll(context) {
            Poll::Ready(()) => Poll::Ready(Err(io::ErrorKind::TimedOut.into())),
            Poll::Pending => Poll::Pending,
        }
    }
}

impl AsyncRead for Guest {
    fn poll_read(mut self: Pin<&mut Self>, context: &mut Context<'_>, buffer: &mut ReadBuf<'_>) -> Poll<io::Result<()>> {
        let poll = Pin::new(&mut self.stream).poll_read(context, buffer);
        self.watch(context, poll)
    }
}

impl AsyncWrite for Guest {
    fn poll_write(mut self: Pin<&mut Self>, context: &mut Context<'_>, bytes: &[u8]) -> Poll<io::Result<usize>> {
        let poll = Pin::new(&mut self.stream).poll_write(context, bytes);
        self.watch(context, poll)
    }

    fn poll_flush(mut self: Pin<&mut Self>, context: &mut Context<'_>) -> Poll<io::Result<()>> {
        Pin::new(&mut self.stream).poll_flush(context)
    }

    fn poll_shutdown(mut self: Pin<&mut Self>, context: &mut Context<'_>) -> Poll<io::Result<()>> {
        Pin::new(&mut self.stream).poll_shutdown(context)
    }
}

/// Requests under way, by tablet.
#[derive(Clone, Debug, Default)]
pub struct UnderWay(Arc<Mutex<HashMap<Incarnation, usize>>>);

/// One request of a tablet; given back when it is dropped.
#[derive(Debug)]
pub struct Turn {
    all: UnderWay,
    of: Incarnation,
}

impl UnderWay {
    fn map(&self) -> MutexGuard<'_, HashMap<Incarnation, usize>> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// A turn for one more request of this tablet; `None` where it has too many under way.
    pub fn begin(&self, of: Incarnation) -> Option<Turn> {
        let mut map = self.map();
        let now = map.entry(of).or_default();
        if *now >= MOST_OF_ONE {
            return None;
        }
        *now += 1;
        Some(Turn { all: self.clone(), of })
    }
}

impl Drop for Turn {
    fn drop(&mut self) {
        let mut map = self.all.map();
        match map.get_mut(&self.of) {
            Some(n) if *n > 1 => *n -= 1,
            _ => drop(map.remove(&self.of)),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn places_are_counted_and_given_back() {
        let doors = Doors::new(5, 2, IDLE);
        let (one, two, own) = (IpAddr::from([192, 168, 4, 2]), IpAddr::from([192, 168, 4, 3]), IpAddr::from([127, 0, 0, 1]));
        let mut places = vec![doors.enter(one).unwrap(), doors.enter(one).unwrap()];
        assert!(doors.enter(one).is_none(), "one address takes two at most");
        places.extend([doors.enter(two).unwrap(), doors.enter(own).unwrap(), doors.enter(own).unwrap()]);
        assert!(doors.enter(own).is_none(), "five in all");
        places.remove(0);
        assert!(doors.enter(one).is_some());
        places.clear();
        println!("{:?}", doors.open());
        assert_eq!(*doors.open(), (0, HashMap::new()), "nothing is kept of those who left");
    }

    #[test]
    fn a_tablet_has_few_requests_under_way() {
        let (all, one, two) = (UnderWay::default(), Incarnation([1; 16]), Incarnation([2; 16]));
        let mut turns: Vec<Turn> = (0..MOST_OF_ONE).map(|_| all.begin(one).unwrap()).collect();
        assert!(all.begin(one).is_none() && all.begin(two).is_some());
        turns.pop();
        assert!(all.begin(one).is_some());
        turns.clear();
        assert!(all.map().is_empty());
    }

    #[tokio::test]
    async fn a_silent_connection_ends() {
        use tokio::io::AsyncReadExt;
        let doors = Doors::new(5, 2, Duration::from_millis(20));
        let listener = tokio::net::TcpListener::bind("127.0.0.1:0").await.unwrap();
        let _silent = TcpStream::connect(listener.local_addr().unwrap()).await.unwrap();
        let (stream, _) = listener.accept().await.unwrap();
        let (mut guest, ()) = doors.accept(stream, ()).await.unwrap();
        let ended = guest.read_u8().await.unwrap_err();
        println!("{ended}");
        assert_eq!(ended.kind(), io::ErrorKind::TimedOut);
    }
}
