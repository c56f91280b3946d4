//! About how many lines a text takes on paper, and as much of it as so many bear.
//!
//! The widths are those of Arial and what stands in for it, taken a little large.

use crate::lot::chart::escape;

/// Size of the sheet's letters, points.
const TEXT_PT: f64 = 8.3;

/// Size of labels and small print, points.
pub(super) const SMALL_PT: f64 = 7.2;

/// One point, mm.
const PT_MM: f64 = 25.4 / 72.0;

/// Bold letters are so much wider.
const BOLD: f64 = 1.09;

/// A letter's width as a share of the size.
fn share(letter: char) -> f64 {
    match letter {
        'i' | 'j' | 'l' | '\'' | '|' | '.' | ',' | ':' | ';' | '!' | 'I' | ' ' | '\u{a0}' | '’' => 0.29,
        'f' | 't' | 'r' | '(' | ')' | '[' | ']' | '-' | '/' | '"' | '“' | '”' | '„' | '°' => 0.37,
        'm' | 'w' | 'M' | 'W' | '%' | '@' | '—' | '…' | '→' => 0.95,
        c if c.is_uppercase() => 0.74,
        c if c as u32 >= 0x1100 => 1.05,
        _ => 0.57,
    }
}

/// Where a text stands: how wide, how large, and how many lines it may take.
#[derive(Debug, Clone, Copy)]
pub(super) struct Space {
    pub(super) width_mm: f64,
    pub(super) pt: f64,
    pub(super) bold: bool,
    /// The most lines.
    pub(super) most: usize,
}

impl Space {
    /// Plain letters of the sheet's size.
    pub(super) fn plain(width_mm: f64, most: usize) -> Self {
        Self { width_mm, pt: TEXT_PT, bold: false, most }
    }

    /// Bold ones.
    pub(super) fn bold(width_mm: f64, most: usize) -> Self {
        Self { bold: true, ..Self::plain(width_mm, most) }
    }

    /// How wide a text is on one line, mm.
    pub(super) fn width_of_mm(&self, text: &str) -> f64 {
        let em_mm = self.pt * PT_MM * if self.bold { BOLD } else { 1.0 };
        text.chars().map(share).sum::<f64>() * em_mm
    }

    /// How many lines a text takes; one that has no letter takes one.
    pub(super) fn lines(&self, text: &str) -> usize {
        let (mut lines, mut at_mm) = (1, 0.0);
        for word in text.split_inclusive(' ') {
            let mm = self.width_of_mm(word);
            if at_mm > 0.0 && at_mm + self.width_of_mm(word.trim_end()) > self.width_mm {
                lines += 1;
                at_mm = 0.0;
            }
            at_mm += mm;
            // A word that is wider than a line is broken.
            while at_mm > self.width_mm && mm > self.width_mm {
                lines += 1;
                at_mm -= self.width_mm;
            }
        }
        lines
    }

    /// The text as HTML, as much of it as has room, and its lines; whether it was cut
    /// is set in `cut`.
    pub(super) fn fit(&self, text: &str, cut: &mut bool) -> (String, usize) {
        let lines = self.lines(text);
        if lines <= self.most {
            return (escape(text), lines);
        }
        *cut = true;
        let ends: Vec<usize> = text.char_indices().map(|(at, _)| at).collect();
        let fits = |end: &usize| self.lines(&format!("{}…", text[..*end].trim_end())) <= self.most;
        let end = ends[..ends.partition_point(fits)].last().copied().unwrap_or_default();
        (format!("{}…", escape(text[..end].trim_end())), self.most)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_text_is_cut_only_where_it_has_no_room() {
        let mut cut = false;
        let space = Space::plain(40.0, 2);
        assert_eq!(space.fit("31 cows < 40", &mut cut), ("31 cows &lt; 40".into(), 1));
        assert_eq!(space.lines("evening and morning, 14 cows of the upper pasture"), 2);
        assert!(!cut);
        let (html, lines) = space.fit(&"goats and cows ".repeat(20), &mut cut);
        assert!(cut && lines == 2 && html.ends_with('…') && html.len() > 40, "{html}");
        assert_eq!(space.lines(&"x".repeat(100)), 5, "a word wider than a line is broken");
        assert_eq!(Space::plain(40.0, 1).lines(""), 1);
    }
}
