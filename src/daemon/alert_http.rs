//! An alarm as an HTTP POST to a machine of the house.
//!
//! The client is one request written out and one status line read: the crates
//! below the page bring a server only, and a client's would add three for this.
//! Plain HTTP on the house's own network; whoever needs TLS lets a command call
//! a program that speaks it.

use tokio::io::{AsyncReadExt as _, AsyncWriteExt as _};
use tokio::net::TcpStream;

use super::alerts::Call;

/// The template with the call put in. In JSON, values are escaped as JSON
/// strings are; elsewhere they stand as they are.
pub fn filled(template: &str, content_type: &str, call: &Call) -> String {
    let json = content_type.contains("json");
    let places = call.places();
    let mut out = String::with_capacity(template.len() + 64);
    let mut rest = template;
    while let Some((before, after)) = rest.split_once('{') {
        out.push_str(before);
        let found = after.split_once('}').and_then(|(name, tail)| {
            let (_, value) = places.iter().find(|(n, _)| *n == name)?;
            Some((*value, tail))
        });
        if let Some((value, tail)) = found {
            if json {
                out.push_str(&escaped(value));
            } else {
                out.push_str(value);
            }
            rest = tail;
        } else {
            // A brace of the template's own.
            out.push('{');
            rest = after;
        }
    }
    out.push_str(rest);
    out
}

/// The inside of a JSON string.
fn escaped(value: &str) -> String {
    let quoted = serde_json::Value::from(value).to_string();
    quoted[1..quoted.len() - 1].to_owned()
}

/// Posts `body`; well where the answer is 2xx.
///
/// # Errors
/// What failed, in words.
pub async fn post(authority: &str, path: &str, content_type: &str, body: &str) -> Result<(), String> {
    let mut stream =
        TcpStream::connect(authority).await.map_err(|e| format!("{authority} cannot be reached: {e}"))?;
    let request = format!(
        "POST {path} HTTP/1.1\r\nHost: {authority}\r\nConnection: close\r\nUser-Agent: curdtrace\r\n\
         Content-Type: {content_type}\r\nContent-Length: {}\r\n\r\n{body}",
        body.len()
    );
    stream.write_all(request.as_bytes()).await.map_err(|e| format!("{authority} hung up: {e}"))?;
    let mut head = [0_u8; 512];
    let mut filled = 0;
    while filled < head.len() && !head[..filled].contains(&b'\n') {
        match stream.read(&mut head[filled..]).await {
            Ok(0) => break,
            Ok(n) => filled += n,
            Err(e) => return Err(format!("{authority} hung up: {e}")),
        }
    }
    let line = String::from_utf8_lossy(&head[..filled]);
    let status = line.strip_prefix("HTTP/1.").and_then(|l| l.split(' ').nth(1)?.parse::<u16>().ok());
    match status {
        Some(200..=299) => Ok(()),
        Some(status) => Err(format!("{authority} answered {status}")),
        None => Err(format!("{authority} did not answer as HTTP does")),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use tokio::net::TcpListener;

    fn call() -> Call {
        Call { kettle: "copper \"big\"".into(), words: "Heat off".into(), ..Call::default() }
    }

    #[test]
    fn a_template_is_filled_and_stays_json() {
        let body = filled(r#"{"text":"{kettle}: {words}","x":{"y":1}}"#, "application/json", &call());
        let v: serde_json::Value = serde_json::from_str(&body).unwrap();
        assert_eq!(v["text"], "copper \"big\": Heat off");
        assert_eq!(v["x"]["y"], 1);
        assert_eq!(filled("{words} {unknown} {", "text/plain", &call()), "Heat off {unknown} {");
    }

    #[tokio::test]
    async fn two_hundred_is_well_and_five_hundred_is_not() {
        let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
        let at = listener.local_addr().unwrap().to_string();
        let server = tokio::spawn(async move {
            let mut heard = Vec::new();
            for answer in ["HTTP/1.1 204 No Content\r\n\r\n", "HTTP/1.1 500 Oh\r\n\r\n", "what?\n"] {
                let (mut s, _) = listener.accept().await.unwrap();
                let mut buf = [0; 1024];
                let n = s.read(&mut buf).await.unwrap();
                heard.push(String::from_utf8_lossy(&buf[..n]).into_owned());
                s.write_all(answer.as_bytes()).await.unwrap();
            }
            heard
        });
        assert_eq!(post(&at, "/say?x=1", "text/plain", "hot").await, Ok(()));
        assert_eq!(post(&at, "/", "text/plain", "hot").await, Err(format!("{at} answered 500")));
        assert!(post(&at, "/", "text/plain", "hot").await.unwrap_err().contains("HTTP"));
        let heard = server.await.unwrap();
        assert!(heard[0].starts_with("POST /say?x=1 HTTP/1.1\r\n") && heard[0].ends_with("\r\n\r\nhot"));
        assert!(post("127.0.0.1:1", "/", "text/plain", "").await.is_err());
    }
}
