//! `schema.txt` as a program reads it, and its comparison with the shape of Rust values.

use std::collections::{BTreeMap, BTreeSet};

use crate::shape::Shape;

/// One type expression, such as `array<Range<Voltage>,3>`: a name and what stands between its angle brackets.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Type {
    /// Name of a built-in type, of a definition, or a number.
    pub name: String,
    /// Arguments.
    pub arguments: Vec<Type>,
}

/// What an enum variant carries.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Payload {
    /// Nothing.
    Unit,
    /// One value without a name.
    One(Type),
    /// Fields in order.
    Fields(Vec<(String, Type)>),
}

/// One definition.
#[derive(Clone, Debug, PartialEq)]
pub enum Definition {
    /// Unit, steps per unit, smallest and largest number of steps.
    Quantity(String, f32, i32, i32),
    /// Unit, steps per unit.
    Stepped(String, f32),
    /// Members, from bit 0.
    Set(Vec<String>),
    /// Variants: number, name, payload.
    Enum(Vec<(u32, String, Payload)>),
    /// Generic parameter, fields in order.
    Struct(Option<String>, Vec<(String, Type)>),
}

/// The whole file.
#[derive(Clone, Debug, Default)]
pub struct Schema {
    /// Named constants.
    pub constants: BTreeMap<String, u32>,
    /// Quantities, sets, enums and structs, by name.
    pub definitions: BTreeMap<String, Definition>,
    /// Names of the quantities, in the order of the file.
    pub quantities: Vec<String>,
    /// Kind, version, name and struct of every record.
    pub records: Vec<(u8, u8, String, Type)>,
    /// Names of the structs that are packed; their tables are compared where they are used.
    pub packed: Vec<String>,
    /// Name and struct of both packets.
    pub packets: Vec<(String, Type)>,
}

impl Type {
    /// Reads a type expression without blanks.
    ///
    /// # Panics
    /// When brackets do not match.
    pub fn parse(text: &str) -> Self {
        let Some((name, rest)) = text.split_once('<') else {
            return Self { name: text.to_owned(), arguments: Vec::new() };
        };
        let inside =
            rest.strip_suffix('>').unwrap_or_else(|| panic!("schema.txt: no '>' at the end of {text}"));
        let (mut arguments, mut depth, mut start) = (Vec::new(), 0, 0);
        for (at, character) in inside.char_indices() {
            match character {
                '<' => depth += 1,
                '>' => depth -= 1,
                ',' if depth == 0 => {
                    arguments.push(Self::parse(&inside[start..at]));
                    start = at + 1;
                }
                _ => {}
            }
        }
        arguments.push(Self::parse(&inside[start..]));
        Self { name: name.to_owned(), arguments }
    }

    fn number(&self) -> usize {
        self.name.parse().unwrap_or_else(|_| panic!("schema.txt: {} is no number", self.name))
    }

    /// This type with `argument` in place of `parameter`.
    fn with(&self, parameter: &str, argument: &Type) -> Type {
        if self.name == parameter {
            return argument.clone();
        }
        let arguments = self.arguments.iter().map(|inner| inner.with(parameter, argument)).collect();
        Type { name: self.name.clone(), arguments }
    }
}

impl Schema {
    /// Reads `schema.txt`.
    ///
    /// # Panics
    /// With the line that makes no sense.
    pub fn parse(text: &str) -> Self {
        let mut schema = Self::default();
        let mut open = String::new();
        for line in text.lines() {
            let content = line.split('#').next().unwrap_or_default();
            let words: Vec<&str> = content.split_whitespace().collect();
            if words.is_empty() {
                continue;
            }
            let understood = if content.starts_with(' ') {
                if open.is_empty() { Some(()) } else { schema.part(&open, &words) }
            } else {
                open = words.get(1).map_or("", |name| name.split('<').next().unwrap_or_default()).to_owned();
                if words[0] == "packed" {
                    open.clear();
                }
                schema.definition(&words)
            };
            assert!(understood.is_some(), "schema.txt: not understood: {line}");
        }
        schema
    }

    fn definition(&mut self, words: &[&str]) -> Option<()> {
        let definition = match *words {
            ["constant", name, value] => {
                return self.constants.insert(name.to_owned(), value.parse().ok()?).is_none().then_some(());
            }
            ["record", kind, version, name, of] => {
                let record = (kind.parse().ok()?, version.parse().ok()?, name.to_owned(), Type::parse(of));
                self.records.push(record);
                return Some(());
            }
            ["packet", name, of] => {
                self.packets.push((name.to_owned(), Type::parse(of)));
                return Some(());
            }
            ["packed", name] => {
                self.packed.push(name.to_owned());
                return Some(());
            }
            ["stepped", _, unit, steps] => Definition::Stepped(unit.to_owned(), steps.parse().ok()?),
            ["quantity", name, unit, steps, smallest, largest] => {
                self.quantities.push(name.to_owned());
                let (smallest, largest) = (smallest.parse().ok()?, largest.parse().ok()?);
                Definition::Quantity(unit.to_owned(), steps.parse().ok()?, smallest, largest)
            }
            ["set", _, ref members @ ..] => Definition::Set(members.iter().map(|&m| m.to_owned()).collect()),
            ["enum", _] => Definition::Enum(Vec::new()),
            ["struct", name] => {
                let parameter = Type::parse(name).arguments.first().map(|inner| inner.name.clone());
                Definition::Struct(parameter, Vec::new())
            }
            _ => return None,
        };
        let name = words[1].split('<').next()?.to_owned();
        self.definitions.insert(name, definition).is_none().then_some(())
    }

    fn part(&mut self, of: &str, words: &[&str]) -> Option<()> {
        match (self.definitions.get_mut(of)?, words) {
            (Definition::Struct(_, fields), [name, field]) => {
                fields.push(((*name).to_owned(), Type::parse(field)));
            }
            (Definition::Enum(variants), [number, name, payload @ ..]) => {
                let payload = match payload {
                    [] => Payload::Unit,
                    [one] if !one.contains(':') => Payload::One(Type::parse(one)),
                    fields => Payload::Fields(
                        fields
                            .iter()
                            .map(|field| field.split_once(':').map(|(n, t)| (n.to_owned(), Type::parse(t))))
                            .collect::<Option<_>>()?,
                    ),
                };
                variants.push((number.parse().ok()?, (*name).to_owned(), payload));
            }
            _ => return None,
        }
        Some(())
    }

    /// Compares the shape of a value with the type that the schema says it has, and notes in `seen` what it saw.
    ///
    /// # Errors
    /// Where they differ, and how.
    pub fn compare(&self, shape: &Shape, of: &Type, path: &str, seen: &mut Seen) -> Result<(), String> {
        let differ = || Err(format!("{path}: schema.txt says {of:?}, the Rust type is {shape:?}"));
        let arguments = of.arguments.as_slice();
        match (of.name.as_str(), shape) {
            ("bool", Shape::Bool)
            | ("u8", Shape::U8)
            | ("u16", Shape::U16)
            | ("u32", Shape::U32)
            | ("u64", Shape::U64) => Ok(()),
            ("time", Shape::Named("Time", inner)) if **inner == Shape::U64 => Ok(()),
            ("text", Shape::Text(length)) => {
                if let [limit] = arguments {
                    seen.length(path, limit.number(), *length);
                }
                Ok(())
            }
            ("bytes" | "waveform", Shape::Sequence(parts)) if parts.iter().all(|part| *part == Shape::U8) => {
                Ok(())
            }
            ("option", Shape::Absent) => {
                seen.options.entry(path.to_owned()).or_insert(false);
                Ok(())
            }
            ("option", Shape::Present(inner)) => {
                seen.options.insert(path.to_owned(), true);
                self.compare(inner, &arguments[0], path, seen)
            }
            ("array", Shape::Tuple(parts)) if parts.len() == arguments[1].number() => {
                parts.iter().try_for_each(|part| self.compare(part, &arguments[0], path, seen))
            }
            ("vec", Shape::Sequence(parts)) => {
                seen.length(path, arguments[1].number(), parts.len());
                parts.iter().try_for_each(|part| self.compare(part, &arguments[0], path, seen))
            }
            ("tuple", Shape::Tuple(parts)) if parts.len() == arguments.len() => {
                parts.iter().zip(arguments).try_for_each(|(part, of)| self.compare(part, of, path, seen))
            }
            (name, shape) => {
                let Some(definition) = self.definitions.get(name) else { return differ() };
                seen.definitions.insert(name.to_owned());
                match (definition, shape) {
                    (Definition::Quantity(..), Shape::Named(n, inner))
                        if *n == name && **inner == Shape::U32 =>
                    {
                        Ok(())
                    }
                    (Definition::Set(..) | Definition::Stepped(..), Shape::Named(n, inner))
                        if *n == name && **inner == Shape::U8 =>
                    {
                        Ok(())
                    }
                    (Definition::Struct(parameter, fields), Shape::Struct(n, parts)) if *n == name => {
                        let mut fields = fields.clone();
                        if let (Some(parameter), [argument]) = (parameter, arguments) {
                            fields.iter_mut().for_each(|field| field.1 = field.1.with(parameter, argument));
                        }
                        self.fields(parts, &fields, name, seen)
                    }
                    (Definition::Enum(variants), Shape::Variant(n, number, variant, payload))
                        if *n == name =>
                    {
                        let known = variants.iter().find(|known| known.0 == *number && known.1 == *variant);
                        seen.variants.insert(format!("{name}::{variant}"));
                        let path = format!("{name}::{variant}");
                        match (known.map(|known| &known.2), payload.as_deref()) {
                            (Some(Payload::Unit), None) => Ok(()),
                            (Some(Payload::One(of)), Some(shape)) => self.compare(shape, of, &path, seen),
                            (Some(Payload::Fields(fields)), Some(Shape::Struct(_, parts))) => {
                                self.fields(parts, fields, &path, seen)
                            }
                            _ => differ(),
                        }
                    }
                    _ => differ(),
                }
            }
        }
    }

    fn fields(
        &self,
        parts: &[(&'static str, Shape)],
        fields: &[(String, Type)],
        path: &str,
        seen: &mut Seen,
    ) -> Result<(), String> {
        let rust: Vec<&str> = parts.iter().map(|part| part.0).collect();
        let text: Vec<&str> = fields.iter().map(|field| field.0.as_str()).collect();
        if rust != text {
            return Err(format!("{path}: schema.txt has the fields {text:?}, the Rust type {rust:?}"));
        }
        parts
            .iter()
            .zip(fields)
            .try_for_each(|((name, shape), (_, of))| self.compare(shape, of, &format!("{path}.{name}"), seen))
    }
}

/// What comparisons have met: what a sample did not show has not been compared.
#[derive(Clone, Debug, Default)]
pub struct Seen {
    /// Names of definitions met.
    pub definitions: BTreeSet<String>,
    /// Enum variants met, as `Enum::Variant`.
    pub variants: BTreeSet<String>,
    /// Options met, and whether one was present.
    pub options: BTreeMap<String, bool>,
    /// Limited texts and sequences: the limit of the schema, and the longest met.
    pub lengths: BTreeMap<String, (usize, usize)>,
}

impl Seen {
    fn length(&mut self, path: &str, limit: usize, length: usize) {
        let longest = self.lengths.entry(path.to_owned()).or_insert((limit, 0));
        longest.1 = longest.1.max(length);
    }
}
