//! A few HTTP requests to the demo's own servers on loopback: enough to pair the demo's tablet as a person would.

use std::io::{Read, Write};
use std::net::{SocketAddr, TcpListener, TcpStream};
use std::time::Duration;

/// What a server answered.
#[derive(Debug)]
pub struct Answer {
    /// HTTP status.
    pub status: u16,
    /// `name=value` of the first cookie it set.
    pub cookie: Option<String>,
    /// The body.
    pub body: String,
}

/// A JSON request, over a connection of its own. `None` if nobody answers in HTTP.
pub fn post(to: SocketAddr, path: &str, cookie: Option<&str>, body: &str) -> Option<Answer> {
    let mut stream = TcpStream::connect_timeout(&to, Duration::from_secs(5)).ok()?;
    stream.set_read_timeout(Some(Duration::from_secs(60))).ok()?;
    let cookie = cookie.map_or_else(String::new, |cookie| format!("Cookie: {cookie}\r\n"));
    let length = body.len();
    let request = format!(
        "POST {path} HTTP/1.1\r\nHost: {to}\r\nOrigin: http://{to}\r\nContent-Type: application/json\r\nContent-Length: {length}\r\n{cookie}Connection: close\r\n\r\n{body}"
    );
    stream.write_all(request.as_bytes()).ok()?;
    let mut bytes = Vec::new();
    stream.read_to_end(&mut bytes).ok()?;
    answer(&String::from_utf8_lossy(&bytes))
}

fn answer(text: &str) -> Option<Answer> {
    let (head, body) = text.split_once("\r\n\r\n")?;
    let mut lines = head.lines();
    let status = lines.next()?.split(' ').nth(1)?.parse().ok()?;
    let set = lines.filter_map(|line| line.split_once(':')).find(|(name, _)| name.eq_ignore_ascii_case("set-cookie"));
    let cookie = set.and_then(|(_, value)| value.split(';').next()).map(|cookie| cookie.trim().to_owned());
    Some(Answer { status, cookie, body: body.to_owned() })
}

/// Whether somebody listens there.
pub fn listens(at: SocketAddr) -> bool {
    TcpStream::connect_timeout(&at, Duration::from_millis(500)).is_ok()
}

/// The wished port if it is free, else any free one. (Another program may take it in between; the server then says so.)
pub fn free_port(wished: u16) -> u16 {
    let bound = |port| TcpListener::bind(("0.0.0.0", port)).and_then(|listener| listener.local_addr());
    bound(wished).or_else(|_| bound(0)).map_or(wished, |address| address.port())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_answer_is_taken_apart() {
        let got =
            answer("HTTP/1.1 401 Unauthorized\r\nSet-Cookie: s=abc; HttpOnly; SameSite=Strict\r\ncontent-length: 2\r\n\r\n{}").unwrap();
        println!("{got:?}");
        assert_eq!((got.status, got.cookie.as_deref(), got.body.as_str()), (401, Some("s=abc"), "{}"));
        assert!(answer("SSH-2.0-x\r\n").is_none(), "not HTTP");
    }

    #[test]
    fn a_request_reaches_the_other_end_whole() {
        let listener = TcpListener::bind("127.0.0.1:0").unwrap();
        let at = listener.local_addr().unwrap();
        let other = std::thread::spawn(move || {
            let (mut stream, _) = listener.accept().unwrap();
            let mut got = Vec::new();
            let mut byte = [0];
            while !got.ends_with(b"\r\n\r\n{\"a\":1}") && stream.read(&mut byte).unwrap() == 1 {
                got.push(byte[0]);
            }
            stream.write_all(b"HTTP/1.1 200 OK\r\n\r\n{\"b\":2}").unwrap();
            String::from_utf8(got).unwrap()
        });
        let answer = post(at, "/x", Some("s=1"), "{\"a\":1}").unwrap();
        let request = other.join().unwrap();
        println!("{request}\n{answer:?}");
        assert!(
            request.starts_with("POST /x HTTP/1.1\r\n") && request.contains("Content-Length: 7\r\n") && request.contains("Cookie: s=1\r\n")
        );
        assert_eq!((answer.status, answer.body.as_str()), (200, "{\"b\":2}"));
    }

    #[test]
    fn a_taken_port_is_passed_over() {
        let taken = TcpListener::bind("0.0.0.0:0").unwrap();
        let port = taken.local_addr().unwrap().port();
        let got = free_port(port);
        println!("{port} is taken, {got} is given");
        assert!(got != port && got != 0);
    }
}
