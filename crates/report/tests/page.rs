//! The page as a document: well-formed, complete, escaped, accessible in structure.

mod fixture;

use std::collections::HashSet;

use evenpull_diagnose::{Assessment, Interval};
use evenpull_job::PressureUnit;
use evenpull_report::{Meta, Writing, page};
use roxmltree::{Document, Node, ParsingOptions};

/// Parses as XML, which is stricter than any browser.
fn parsed(html: &str) -> Document<'_> {
    let options = ParsingOptions {
        allow_dtd: true,
        ..ParsingOptions::default()
    };
    Document::parse_with_options(html, options).unwrap_or_else(|e| panic!("not well-formed: {e}"))
}

fn all() -> Vec<(&'static str, String)> {
    let meta = fixture::meta();
    [
        ("twin", fixture::twin()),
        ("triple", fixture::triple()),
        ("empty", fixture::empty()),
        ("hostile", fixture::hostile()),
    ]
    .map(|(name, a)| (name, page(&a, &meta)))
    .to_vec()
}

fn elements<'a>(doc: &'a Document<'a>, tag: &'a str) -> impl Iterator<Item = Node<'a, 'a>> {
    doc.descendants().filter(move |n| n.has_tag_name(tag))
}

/// All text below a node; pieces of different elements are parted by a space.
fn text(node: Node) -> String {
    let pieces = node
        .descendants()
        .filter(Node::is_text)
        .filter_map(|n| n.text());
    let words: Vec<&str> = pieces.flat_map(str::split_whitespace).collect();
    words.join(" ")
}

fn by_id<'a>(doc: &'a Document<'a>, id: &str) -> Node<'a, 'a> {
    doc.descendants()
        .find(|n| n.attribute("id") == Some(id))
        .unwrap_or_else(|| panic!("no element with id {id}"))
}

#[test]
fn every_page_is_well_formed_with_unique_ids_and_live_references() {
    for (name, html) in all() {
        let doc = parsed(&html);
        let ids: Vec<&str> = doc
            .descendants()
            .filter_map(|n| n.attribute("id"))
            .collect();
        let set: HashSet<&str> = ids.iter().copied().collect();
        assert_eq!(ids.len(), set.len(), "{name}: an id is used twice");
        for node in doc.descendants() {
            for key in ["aria-labelledby", "aria-describedby"] {
                for target in node.attribute(key).unwrap_or("").split_whitespace() {
                    assert!(
                        set.contains(target),
                        "{name}: {key} points at nothing: {target}"
                    );
                }
            }
            if let Some(link) = node.attribute("href") {
                let target = link.strip_prefix('#').expect("only links inside the page");
                assert!(set.contains(target), "{name}: dead link {link}");
            }
        }
    }
}

#[test]
fn nothing_is_fetched_and_nothing_runs() {
    for (name, html) in all() {
        let doc = parsed(&html);
        for tag in ["script", "link", "img", "iframe", "object", "image", "use"] {
            assert_eq!(elements(&doc, tag).count(), 0, "{name}: <{tag}>");
        }
        for node in doc.descendants() {
            for attribute in node.attributes() {
                assert!(
                    !attribute.name().starts_with("on"),
                    "{name}: handler {}",
                    attribute.name()
                );
                assert_ne!(attribute.name(), "src", "{name}");
            }
        }
        let style = text(
            elements(&doc, "style")
                .next()
                .expect("the page brings its styles"),
        );
        assert!(!style.contains("url(") && !style.contains("@import"));
    }
}

#[test]
fn every_picture_has_title_and_description_or_is_hidden() {
    for (name, html) in all() {
        let doc = parsed(&html);
        for svg in elements(&doc, "svg") {
            if svg.attribute("aria-hidden") == Some("true") {
                continue;
            }
            assert_eq!(svg.attribute("role"), Some("img"), "{name}");
            for tag in ["title", "desc"] {
                let part = svg.children().find(|n| n.has_tag_name(tag));
                let part = part.unwrap_or_else(|| panic!("{name}: a picture without {tag}"));
                assert!(text(part).len() > 5, "{name}: an empty {tag}");
            }
        }
    }
    let twin = page(&fixture::twin(), &fixture::meta());
    let doc = parsed(&twin);
    let pictures = elements(&doc, "svg")
        .filter(|n| n.attribute("role") == Some("img"))
        .count();
    // 2 screws, depression, area, evenness, 6 cycles, 3 of bodies, mixture.
    assert_eq!(pictures, 15);
}

#[test]
fn no_picture_holds_a_number_that_is_not_finite() {
    let numeric = [
        "x", "y", "x1", "x2", "y1", "y2", "cx", "cy", "r", "width", "height", "points", "viewBox",
    ];
    let mut seen = 0;
    for (name, html) in all() {
        let doc = parsed(&html);
        for node in elements(&doc, "svg").flat_map(|svg| svg.descendants()) {
            for key in numeric {
                let values = node.attribute(key).unwrap_or("");
                for value in values.split([' ', ',']).filter(|v| !v.is_empty()) {
                    let value: f64 = value
                        .parse()
                        .unwrap_or_else(|_| panic!("{name}: {key}={value}"));
                    assert!(value.is_finite(), "{name}: {key}={value}");
                    seen += 1;
                }
            }
        }
        for label in elements(&doc, "text").map(text) {
            assert!(
                !label.contains("NaN") && !label.contains("inf"),
                "{name}: {label}"
            );
        }
    }
    assert!(
        seen > 5_000,
        "the pictures hold coordinates to check, saw {seen}"
    );
}

#[test]
fn no_missing_value_reaches_the_reader_as_a_bare_nan() {
    for (name, html) in all() {
        let body = text(elements(&parsed(&html), "body").next().expect("a body"));
        assert!(!body.contains("NaN"), "{name}");
        assert!(
            !body.split_whitespace().any(|w| w == "inf" || w == "−inf"),
            "{name}"
        );
    }
}

#[test]
fn headings_step_down_one_at_a_time_from_a_single_first() {
    for (name, html) in all() {
        let doc = parsed(&html);
        let mut last = 0;
        let mut firsts = 0;
        for node in doc.descendants() {
            let level = match node.tag_name().name() {
                "h1" => 1,
                "h2" => 2,
                "h3" => 3,
                "h4" => 4,
                _ => continue,
            };
            assert!(
                level <= last + 1,
                "{name}: h{last} is followed by h{level}: {}",
                text(node)
            );
            firsts += u32::from(level == 1);
            last = level;
        }
        assert_eq!(firsts, 1, "{name}");
        for tag in ["header", "nav", "main", "footer"] {
            assert_eq!(elements(&doc, tag).count(), 1, "{name}: <{tag}>");
        }
    }
}

#[test]
fn tables_have_one_cell_per_column_and_scroll_in_their_own_region() {
    for (name, html) in all() {
        let doc = parsed(&html);
        for table in elements(&doc, "table") {
            let rows: Vec<usize> = table
                .descendants()
                .filter(|n| n.has_tag_name("tr"))
                .map(|tr| tr.children().filter(Node::is_element).count())
                .collect();
            assert!(rows.windows(2).all(|w| w[0] == w[1]), "{name}: {rows:?}");
            let region = table.parent_element().expect("a table lies in its region");
            assert_eq!(region.attribute("tabindex"), Some("0"), "{name}");
            assert_eq!(region.attribute("role"), Some("region"), "{name}");
            assert!(region.attribute("aria-label").is_some(), "{name}");
        }
    }
}

#[test]
fn the_order_is_the_mechanics() {
    let html = page(&fixture::twin(), &fixture::meta());
    let doc = parsed(&html);
    let order: Vec<&str> = elements(&doc, "section")
        .filter_map(|n| n.attribute("id"))
        .collect();
    assert_eq!(
        order,
        [
            "verdict",
            "work",
            "sealed",
            "cautions",
            "causes",
            "depression",
            "area",
            "cycles",
            "bodies",
            "mixture",
            "remarks",
            "technical"
        ]
    );
}

#[test]
fn the_twin_says_cause_odds_turn_and_way() {
    let html = page(&fixture::twin(), &fixture::meta());
    let doc = parsed(&html);
    let verdict = text(by_id(&doc, "verdict"));
    assert!(
        verdict.contains("Dunlin 1060 Balance adjuster off, left very likely (91 %)"),
        "{verdict}"
    );
    let work = text(by_id(&doc, "work"));
    for part in [
        "1 balance screw",
        "5/16 turn",
        "out (anticlockwise, right-hand thread)",
        "0.34 turns, 90 % interval 0.28 to 0.40",
        "0.8 % between the bodies expected",
        "1 ⅜ turns",
        "not the factory setting",
        "0.556 V",
    ] {
        assert!(work.contains(part), "{part} is missing in: {work}");
    }
    let area = text(by_id(&doc, "area"));
    assert_eq!(
        area.matches("refused: no area").count(),
        2,
        "both bodies of one reading"
    );
    let mixture = text(by_id(&doc, "mixture"));
    assert!(
        mixture.contains("left runs 22 % lean at 0.5 degrees"),
        "{mixture}"
    );
}

#[test]
fn an_undetermined_job_leads_with_the_next_reading() {
    let html = page(&fixture::triple(), &fixture::meta());
    let doc = parsed(&html);
    let verdict = text(by_id(&doc, "verdict"));
    assert!(verdict.contains("Undetermined"));
    assert!(
        verdict.contains("inlet stub leak, body 1 (46 %)"),
        "{verdict}"
    );
    assert!(verdict.contains("Next reading Swap the hoses"), "{verdict}");
    assert!(text(by_id(&doc, "work")).contains("take the next reading first"));
    let depression = text(by_id(&doc, "depression"));
    assert!(
        depression.contains("31.2 34.9 35.3 4.1 12 % act"),
        "{depression}"
    );
    assert!(
        depression.contains("36.0 36.8 36.4 0.8 2.2 % good"),
        "{depression}"
    );
}

#[test]
fn a_share_beside_an_open_verdict_is_no_certainty() {
    let mut found = fixture::triple();
    found.causes[0].probability = 0.995;
    found.held_open = vec!["the engine was not warm".into()];
    let html = page(&found, &fixture::meta());
    let doc = parsed(&html);
    let verdict = text(by_id(&doc, "verdict"));
    assert!(
        verdict.contains("What leads is no verdict yet: the engine was not warm."),
        "{verdict}"
    );
    let causes = text(by_id(&doc, "causes"));
    assert!(
        causes.contains("more than 99 % by these readings alone"),
        "{causes}"
    );
    assert!(!html.contains("almost certain"));
}

#[test]
fn an_empty_job_says_so() {
    let html = page(&fixture::empty(), &Meta::default());
    let doc = parsed(&html);
    assert!(text(by_id(&doc, "verdict")).contains("No verdict The job holds no readings"));
    assert_eq!(elements(&doc, "svg").count(), 0);
    assert_eq!(elements(&doc, "table").count(), 0);
}

#[test]
fn names_are_text_and_stay_readable() {
    let html = page(&fixture::hostile(), &fixture::meta());
    assert!(!html.contains("<script") && !html.contains("<img") && !html.contains('\u{0}'));
    let doc = parsed(&html);
    let heading = text(by_id(&doc, "verdict-h"));
    assert!(
        heading.starts_with("</title><script>alert('machine')</script>"),
        "{heading}"
    );
    let depression = text(by_id(&doc, "depression"));
    for name in [
        "左シリンダー",
        "أسطوانة",
        "цилиндр",
        "<b onload=\"x()\">&amp;'",
        "body 8",
    ] {
        assert!(depression.contains(name), "{name} is lost");
    }
}

#[test]
fn a_turn_that_contradicts_its_words_is_not_drawn() {
    let mut a = fixture::twin();
    a.advice[0].turns = Some(Interval {
        value: -0.34,
        lo90: -0.4,
        hi90: -0.28,
    });
    let html = page(&a, &fixture::meta());
    assert!(!html.contains("step-1-screw"), "no picture");
    assert!(html.contains("−0.34 turns"), "the number is still told");
}

/// From one body to eight nothing is lost: a lane in every row and a mark of its own for each.
#[test]
fn one_to_eight_bodies() {
    for n in 1..=8_usize {
        let mut a: Assessment = fixture::triple();
        a.body_names = (1..=n).map(|i| format!("b{i}")).collect();
        for reading in &mut a.readings {
            reading.gauge_kpa = Some((0..n).map(|i| 30.0 + i as f64).collect());
        }
        let html = page(&a, &fixture::meta());
        let doc = parsed(&html);
        let plot = elements(&doc, "svg").find(|s| s.attribute("id") == Some("depression-rows"));
        assert_eq!(plot.is_some(), n > 1, "one body has nothing to compare");
        if let Some(plot) = plot {
            let marks: Vec<&str> = plot
                .descendants()
                .filter_map(|m| m.attribute("class").filter(|c| c.ends_with("mark")))
                .collect();
            assert_eq!(marks.len(), 2 * n);
            assert_eq!(
                marks.iter().collect::<HashSet<_>>().len(),
                n,
                "each body its own style"
            );
        }
    }
}

/// What the terminal says of a baseline stands on the page: what it is not, whether it is enough, its
/// signs, plates, checks and when to give it up; a page without a baseline has none of it.
#[test]
fn a_baseline_comes_with_its_signs_checks_and_limits() {
    let pages = all();
    let said = |name: &str| {
        let html = &pages.iter().find(|(n, _)| *n == name).expect("a page").1;
        text(parsed(html).root_element())
    };
    let twin = said("twin");
    for words in [
        "working baseline, not factory setting",
        "Not known well enough to set a stop by.",
        "+0.42 deg",
        "the sensor does not follow this plate",
        "Signs that a stop was moved the stop seal of left is disturbed",
        "It came out right if closed sensor volts between 0.544 and 0.568 V",
        "Give it up if a bleed still wants more than 2.0 turns <of its range>",
    ] {
        assert!(twin.contains(words), "`{words}` in:\n{twin}");
    }
    assert!(!said("triple").contains("Give it up if"));
}

/// NIST SP 811: 1 kPa = 10 mbar. Tables, sentences and pictures go along; limits of 1 and 2.5 kPa are 10 and 25 mbar.
#[test]
fn val_the_page_is_written_as_the_shop_writes() {
    let meta = Meta {
        writing: Writing {
            comma: true,
            pressure: PressureUnit::Mbar,
        },
        ..fixture::meta()
    };
    let plain = page(&fixture::twin(), &fixture::meta());
    let html = page(&fixture::twin(), &meta);
    for (before, after) in [
        (
            "good up to 1.0 kPa, watch up to 2.5 kPa",
            "good up to 10 mbar, watch up to 25 mbar",
        ),
        ("Depression [kPa]", "Depression [mbar]"),
        ("kPa from the middle", "mbar from the middle"),
        ("kPa absolute", "mbar absolute"),
    ] {
        assert!(plain.contains(before), "{before}");
        assert!(html.contains(after), "{after}");
    }
    assert!(!html.contains(" kPa"), "{html}");
    parsed(&html);
}
