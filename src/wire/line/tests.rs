use super::*;

fn check(line: &str, again: &str) {
    let (parsed, t) = parse(line, &mut Names::default()).unwrap().unwrap();
    let mut out = String::new();
    match parsed {
        Line::Reading(r) => write_reading(&mut out, &r, t.unwrap()),
        Line::Mark(m) => write_mark(&mut out, &m, t.unwrap()),
        Line::Event(e) => write_event(&mut out, &e, t.unwrap()),
    }
    assert_eq!(out, again);
    // What we write, the reference parser reads to the same.
    let (twice, _) = parse(&out, &mut Names::default()).unwrap().unwrap();
    assert_eq!(twice, parse(line, &mut Names::default()).unwrap().unwrap().0);
}

#[test]
fn lines_round_trip() {
    check(
        "temperature,probe=kettle celsius=34.9375 1752465129500000000",
        "temperature,probe=kettle celsius=34.9375 1752465129500000000",
    );
    check(
        "temperature,probe=p,kettle=big\\ one celsius=34i,seq=7u 5",
        "temperature,kettle=big\\ one,probe=p celsius=34,seq=7u 5",
    );
    check(
        "temperature,probe=p health=\"failure\",reason=\"open \\\"wire\\\"\" 5",
        "temperature,probe=p health=\"failure\",reason=\"open \\\"wire\\\"\" 5",
    );
    check(
        "temperature,probe=p celsius=8.5,late_s=90000i -5",
        "temperature,probe=p celsius=8.5,late_s=90000u -5",
    );
    check(
        "mark,kettle=kettle name=\"rennet\",by=\"ada\" 9",
        "mark,kettle=kettle name=\"rennet\",by=\"ada\" 9",
    );
    // A point before or after the digits, as other writers have it.
    check("temperature,probe=p celsius=.5,emf_mv=-.5e1 5", "temperature,probe=p celsius=0.5,emf_mv=-5 5");
    check("temperature,probe=p celsius=34. 5", "temperature,probe=p celsius=34 5");
    check("mark,kettle=kettle name=\"ph\",value=6.4 9", "mark,kettle=kettle name=\"ph\",value=6.4 9");
    check("event,what=link source=\"usb\",up=true 9", "event,what=link source=\"usb\",up=true 9");
}

#[test]
fn refusals_say_the_remedy() {
    for (line, says) in [
        ("celsius 5", "no line protocol"),
        ("humidity,probe=a x=1 5", "none of temperature"),
        ("temperature celsius=1 5", "probe=NAME"),
        ("temperature,probe=a x=1 5", "celsius, or health"),
        ("temperature,probe=a celsius=\"hot\" 5", "a number is wanted"),
        ("temperature,probe=a health=\"ill\" 5", "one of good"),
        ("mark,kettle=k name=\"sing\" 5", "marks are rennet"),
        ("mark,kettle=k name=\"ph\",value=19 5", "between 0 and 14"),
        ("temperature,probe=a celsius=\"35\" 5", "celsius is \"35\"; a number is wanted, without quotes"),
        ("event x=1 5", "this event line needs"),
        ("not at all", "it has no field that can be read"),
        ("temperature", "a field is not written as name=value"),
        ("temperature,probe=a celsius=3.4.5 5", "fits nothing"),
        ("temperature,probe=a celsius=. 5", "it has no field that can be read"),
        ("temperature,probe=a celsius=4 soon", "\"soon\" fits nothing"),
        ("temperature,probe= celsius=4 5", "a tag is not written as name=value"),
        ("temperature,probe=a celsius=4 99999999999999999999", "is no time"),
        ("temperature,probe=a seq=99999999999999999999u 4", "is no whole number"),
    ] {
        let e = parse(line, &mut Names::default()).unwrap_err().to_string();
        assert!(e.contains(says) && !e.contains("parsing"), "{line}: {e}");
    }
}

#[test]
fn a_refusal_is_short_however_long_the_line() {
    let long = "é".repeat(70_000);
    for line in [
        format!("{long},probe=a celsius=1 5"),
        format!("temperature,probe=a celsius={long} 5"),
        format!("temperature,probe=a celsius=\"{long}\" 5"),
        format!("temperature,probe=a health=\"{long}\" 5"),
        format!("temperature,{long}=1,{long}=2 celsius=1 5"),
        format!("mark,kettle=k name=\"{long}\" 5"),
        long.clone(),
    ] {
        let e = parse(&line, &mut Names::default()).unwrap_err().to_string();
        assert!(e.len() < 400, "{} bytes: {}", e.len(), &e[..400]);
    }
}
