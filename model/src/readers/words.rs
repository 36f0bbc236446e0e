//! Text cut into folded words that still know where they stood.

use unicode_normalization::{UnicodeNormalization as _, char::is_combining_mark};

/// What a token is made of.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Kind {
    /// Letters.
    Word,
    /// ASCII digits.
    Number,
    /// One other character.
    Mark,
}

/// One word, number or punctuation mark.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Token {
    pub(super) kind: Kind,
    /// Lower case, compatibility-decomposed, without accents.
    pub(super) text: String,
    /// Lower case with its accents, for the few words that differ by an accent alone.
    pub(super) accented: String,
    /// Unicode scalar values, end exclusive.
    pub(super) chars: [usize; 2],
    /// Bytes, end exclusive.
    pub(super) bytes: [usize; 2],
    /// Nothing stands between this token and the one before.
    pub(super) glued: bool,
}

impl Token {
    pub(super) fn is(&self, text: &str) -> bool {
        self.text == text
    }

    pub(super) fn number(&self) -> Option<u32> {
        (self.kind == Kind::Number).then(|| self.text.parse().ok()).flatten()
    }
}

/// Cuts `text` into tokens. A line's end is a mark of its own where `lines` matter.
pub(super) fn tokens(text: &str, lines: bool) -> Vec<Token> {
    let mut tokens: Vec<Token> = Vec::new();
    let mut spaced = true;
    for (at, (byte, original)) in text.char_indices().enumerate() {
        let (chars, bytes) = ([at, at + 1], [byte, byte + original.len_utf8()]);
        if is_ignored(original) {
            if let Some(last) = tokens.last_mut().filter(|last| last.bytes[1] == byte) {
                (last.chars[1], last.bytes[1]) = (chars[1], bytes[1]);
            }
            continue;
        }
        if lines && matches!(original, '\n' | '\r') {
            tokens.push(Token {
                kind: Kind::Mark,
                text: "\n".into(),
                accented: String::new(),
                chars,
                bytes,
                glued: false,
            });
            spaced = true;
            continue;
        }
        for folded in fold(original) {
            if folded.is_whitespace() {
                spaced = true;
                continue;
            }
            let kind = match folded {
                '0'..='9' => Kind::Number,
                c if c.is_alphanumeric() => Kind::Word,
                _ => Kind::Mark,
            };
            match tokens.last_mut() {
                Some(last) if !spaced && kind != Kind::Mark && last.kind == kind => {
                    last.text.push(folded);
                    (last.chars[1], last.bytes[1]) = (chars[1], bytes[1]);
                }
                _ => tokens.push(Token {
                    kind,
                    text: folded.into(),
                    accented: String::new(),
                    chars,
                    bytes,
                    glued: !spaced,
                }),
            }
            spaced = false;
        }
    }
    for token in tokens.iter_mut().filter(|token| token.kind == Kind::Word) {
        token.accented = text[token.bytes[0]..token.bytes[1]].to_lowercase().nfc().collect();
    }
    tokens
}

/// Accents written apart, soft hyphens and zero-width characters belong to what they follow.
fn is_ignored(c: char) -> bool {
    is_combining_mark(c) || matches!(c, '\u{ad}' | '\u{200b}'..='\u{200d}' | '\u{2060}' | '\u{feff}')
}

fn fold(c: char) -> impl Iterator<Item = char> {
    std::iter::once(c).nfkd().flat_map(char::to_lowercase).filter(|c| !is_combining_mark(*c)).flat_map(|c| {
        let [first, second] = match c {
            'ß' => ['s', 's'],
            'œ' => ['o', 'e'],
            'æ' => ['a', 'e'],
            'ø' => ['o', '\0'],
            '‘' | '’' | '`' | '´' | '′' => ['\'', '\0'],
            '‐'..='―' | '−' => ['-', '\0'],
            '⁄' => ['/', '\0'],
            // Greek capital and micro sign alike.
            'µ' => ['μ', '\0'],
            other => [other, '\0'],
        };
        [first, second].into_iter().enumerate().filter(|(i, c)| *i == 0 || *c != '\0').map(|(_, c)| c)
    })
}

/// The next token a phrase may go on with after `at`, over hyphens, apostrophes and the dots of
/// abbreviations; `None` where the clause ends.
pub(super) fn next(tokens: &[Token], at: usize) -> Option<usize> {
    let mut next = at + 1;
    while let Some(token) = tokens.get(next) {
        if token.kind != Kind::Mark {
            return Some(next);
        }
        if !is_soft(tokens, next) {
            return None;
        }
        next += 1;
    }
    None
}

/// The token before `at` in the same clause.
pub(super) fn previous(tokens: &[Token], at: usize) -> Option<usize> {
    let mut at = at;
    while at > 0 {
        at -= 1;
        if tokens[at].kind != Kind::Mark {
            return Some(at);
        }
        if !is_soft(tokens, at) {
            return None;
        }
    }
    None
}

/// Abbreviations have at most this many letters before their dot.
const ABBREVIATION: usize = 3;

fn is_soft(tokens: &[Token], at: usize) -> bool {
    let follows_glued = tokens.get(at + 1).is_some_and(|next| next.glued);
    match tokens[at].text.as_str() {
        "'" | "\"" | "%" | "°" | "“" | "”" | "„" | "«" | "»" => true,
        // A dash between spaces sets clauses apart.
        "-" => tokens[at].glued || follows_glued,
        "." => {
            let after = at.checked_sub(1).map(|before| &tokens[before]);
            follows_glued || after.is_some_and(|w| w.kind == Kind::Word && w.text.chars().count() <= ABBREVIATION)
        }
        _ => false,
    }
}
