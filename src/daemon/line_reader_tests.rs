use std::sync::Arc;
use std::sync::mpsc::Receiver;

use tokio::sync::mpsc;

use super::*;
use crate::config::dairy::Config;
use crate::daemon::channels::Channels;
use crate::daemon::clock::Clock;
use crate::wire::frame::encode;

/// A reader of frames with what it hands on and what it answers.
fn reader() -> (LineReader, mpsc::Receiver<Input>, Receiver<Frame>, Clock) {
    reader_of(Format::Frames)
}

fn reader_of(format: Format) -> (LineReader, mpsc::Receiver<Input>, Receiver<Frame>, Clock) {
    let (inputs, taken) = mpsc::channel(16);
    let (down, answers) = std::sync::mpsc::channel();
    let clock = Clock::by_hand(1_781_424_000_000_000_000);
    let channels = Arc::new(Channels::of(&Config::default()));
    let way =
        Way { source: Name::from("box"), inputs, clock: clock.clone(), channels, tally: Arc::default() };
    let port = SerialPort {
        name: Name::from("box"),
        port: "/dev/null".into(),
        baud: 115_200,
        probe: matches!(format, Format::Lines(_)).then(|| Name::from("milk")),
        format,
        probes: BTreeMap::new(),
        buttons: BTreeMap::new(),
        kettle: None,
        own_time: false,
        answers: true,
        stall_s: 30.0,
    };
    (LineReader::new(&port, way, Heard::default(), down), taken, answers, clock)
}

fn frame(seq: u32, age_ms: u32) -> Vec<u8> {
    encode(&Frame::Reading(BoxReading {
        seq,
        probe: "milk".into(),
        signal: crate::sensor::raw::Signal::Celsius(30.5),
        cold_junction_celsius: None,
        faults: crate::sensor::fault::Faults::NONE,
        age_ms,
    }))
}

/// A frame whose record found no room was ignored for ever when the box sent
/// it again, though there was room by then.
#[test]
fn a_frame_that_could_not_be_kept_is_taken_in_again_once_there_is_room() {
    let (mut reader, mut taken, answers, clock) = reader();
    reader.take(&frame(1, 0)).unwrap();
    drop(taken.try_recv().unwrap().receipt);
    reader.store(false);
    clock.advance(std::time::Duration::from_secs(5));
    reader.take(&frame(1, 5_000)).unwrap();
    assert!(taken.try_recv().is_err(), "while there is no room it would only be lost again");
    reader.store(true);
    clock.advance(std::time::Duration::from_secs(5));
    reader.take(&frame(1, 10_000)).unwrap();
    assert!(answers.try_recv().is_err(), "not acknowledged before it is kept");
    taken.try_recv().unwrap().receipt.unwrap().kept();
    assert_eq!(answers.try_recv(), Ok(Frame::Ack { seq: 1 }));
}

/// The same frame twice in one breath was two readings; the same counter with another
/// number is a box that began anew.
#[test]
fn a_frame_said_twice_at_once_is_one() {
    let (mut reader, mut taken, answers, clock) = reader();
    reader.take(&[frame(1, 0), frame(2, 0), frame(1, 0), frame(2, 0)].concat()).unwrap();
    let receipts: Vec<_> = std::iter::from_fn(|| taken.try_recv().ok()?.receipt).collect();
    assert_eq!(receipts.len(), 2);
    assert!(answers.try_recv().is_err(), "not acknowledged before it is kept");
    receipts.into_iter().for_each(Receipt::kept);
    reader.take(&frame(2, 0)).unwrap();
    let acked: Vec<_> = answers.try_iter().collect();
    assert_eq!(acked, [1, 2, 2].map(|seq| Frame::Ack { seq }));
    assert!(taken.try_recv().is_err());
    // A second later it is another measurement.
    clock.advance(std::time::Duration::from_secs(1));
    reader.take(&frame(2, 0)).unwrap();
    assert!(taken.try_recv().is_ok());
}

#[test]
fn a_button_that_means_nothing_is_not_sent_for_ever() {
    let (mut reader, mut taken, answers, _) = reader();
    for _ in 0..2 {
        reader.take(&encode(&Frame::Button { seq: 3, button: 1, age_ms: 0 })).unwrap();
        assert_eq!(answers.try_recv(), Ok(Frame::Ack { seq: 3 }));
    }
    assert!(taken.try_recv().is_err());
}

/// The box sounds for its kettle's alarms and for the house's; its one button takes
/// both.
#[test]
fn the_button_that_takes_takes_the_houses_alarms_too() {
    let (mut reader, mut taken, _answers, _) = reader();
    reader.button_kettle = Some("big".into());
    reader.take(&encode(&Frame::Button { seq: 3, button: 0, age_ms: 0 })).unwrap();
    let mut asked = || match taken.try_recv().unwrap() {
        Input { what: Incoming::Command(c), receipt, .. } => (c.kettle, c.ask, receipt.is_some()),
        other => panic!("{other:?}"),
    };
    assert_eq!(asked(), ("".into(), Ask::Acknowledge(None), false));
    assert_eq!(asked(), ("big".into(), Ask::Acknowledge(None), true));
}

/// What comes at once after opening may be the end of a line; after a silence it is a
/// whole one. A port that was opened anew as its box is slow lost every other line.
#[test]
fn a_line_after_a_silence_is_whole() {
    let heard_after = |silent_ms: u64| {
        let (mut reader, mut taken, _answers, clock) =
            reader_of(Format::Lines(Payload::of(crate::wire::payload::PayloadKind::Number)));
        reader.opened();
        clock.advance(std::time::Duration::from_millis(silent_ms));
        reader.take(b"31.25\n").unwrap();
        clock.advance(std::time::Duration::from_secs(20));
        reader.take(b"31.5\n").unwrap();
        std::iter::from_fn(|| taken.try_recv().ok()).count()
    };
    assert_eq!((heard_after(100), heard_after(600)), (1, 2));
}
