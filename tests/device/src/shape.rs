//! The shape of a Rust value: names and types of its fields, as serde tells them. It is what `schema.txt` is
//! compared with.

use std::fmt;

use serde::de::{self, DeserializeOwned, Visitor};
use serde::ser::{self, Serialize};

/// Shape of one value.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Shape {
    /// `bool`.
    Bool,
    /// `u8`.
    U8,
    /// `u16`.
    U16,
    /// `u32`.
    U32,
    /// `u64`.
    U64,
    /// A text of so many bytes.
    Text(usize),
    /// `None`.
    Absent,
    /// `Some`.
    Present(Box<Shape>),
    /// A newtype.
    Named(&'static str, Box<Shape>),
    /// An array or a tuple.
    Tuple(Vec<Shape>),
    /// A slice or vector.
    Sequence(Vec<Shape>),
    /// A struct with its fields.
    Struct(&'static str, Vec<(&'static str, Shape)>),
    /// A variant of an enum: enum, number, name, payload.
    Variant(&'static str, u32, &'static str, Option<Box<Shape>>),
}

/// A type that has no place on the wire (float, signed integer, map …).
#[derive(Debug)]
pub struct Unwelcome(String);

impl fmt::Display for Unwelcome {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.0)
    }
}

impl std::error::Error for Unwelcome {}

impl ser::Error for Unwelcome {
    fn custom<T: fmt::Display>(message: T) -> Self {
        Self(message.to_string())
    }
}

/// The shape of `value`.
///
/// # Errors
/// [`Unwelcome`] for a type that has no place on the wire.
pub fn shape<T: Serialize + ?Sized>(value: &T) -> Result<Shape, Unwelcome> {
    value.serialize(Tracer)
}

struct Tracer;

/// Names (empty in a sequence) and shapes of parts, in order.
type Named = Vec<(&'static str, Shape)>;

/// Collects the parts of something composed; `finish` makes the whole of them.
struct Parts {
    parts: Named,
    finish: Box<dyn FnOnce(Named) -> Shape>,
}

impl Parts {
    fn new(finish: impl FnOnce(Named) -> Shape + 'static) -> Self {
        Self { parts: Vec::new(), finish: Box::new(finish) }
    }

    fn push<T: Serialize + ?Sized>(&mut self, name: &'static str, value: &T) -> Result<(), Unwelcome> {
        self.parts.push((name, shape(value)?));
        Ok(())
    }

    fn whole(self) -> Shape {
        (self.finish)(self.parts)
    }
}

fn nameless(parts: Named) -> Vec<Shape> {
    parts.into_iter().map(|part| part.1).collect()
}

macro_rules! unwelcome {
    ($($method:ident($type:ty)),*) => {
        $(fn $method(self, _: $type) -> Result<Shape, Unwelcome> {
            Err(Unwelcome(format!("{} has no place on the wire", stringify!($type))))
        })*
    };
}

impl ser::Serializer for Tracer {
    type Ok = Shape;
    type Error = Unwelcome;
    type SerializeSeq = Parts;
    type SerializeTuple = Parts;
    type SerializeTupleStruct = Parts;
    type SerializeTupleVariant = ser::Impossible<Shape, Unwelcome>;
    type SerializeMap = ser::Impossible<Shape, Unwelcome>;
    type SerializeStruct = Parts;
    type SerializeStructVariant = Parts;

    unwelcome!(
        serialize_i8(i8),
        serialize_i16(i16),
        serialize_i32(i32),
        serialize_i64(i64),
        serialize_f32(f32),
        serialize_f64(f64),
        serialize_char(char),
        serialize_unit_struct(&'static str)
    );

    fn serialize_bool(self, _: bool) -> Result<Shape, Unwelcome> {
        Ok(Shape::Bool)
    }
    fn serialize_u8(self, _: u8) -> Result<Shape, Unwelcome> {
        Ok(Shape::U8)
    }
    fn serialize_u16(self, _: u16) -> Result<Shape, Unwelcome> {
        Ok(Shape::U16)
    }
    fn serialize_u32(self, _: u32) -> Result<Shape, Unwelcome> {
        Ok(Shape::U32)
    }
    fn serialize_u64(self, _: u64) -> Result<Shape, Unwelcome> {
        Ok(Shape::U64)
    }
    fn serialize_str(self, text: &str) -> Result<Shape, Unwelcome> {
        Ok(Shape::Text(text.len()))
    }
    fn serialize_bytes(self, bytes: &[u8]) -> Result<Shape, Unwelcome> {
        Ok(Shape::Sequence(vec![Shape::U8; bytes.len()]))
    }
    fn serialize_none(self) -> Result<Shape, Unwelcome> {
        Ok(Shape::Absent)
    }
    fn serialize_some<T: Serialize + ?Sized>(self, value: &T) -> Result<Shape, Unwelcome> {
        Ok(Shape::Present(Box::new(shape(value)?)))
    }
    fn serialize_unit(self) -> Result<Shape, Unwelcome> {
        Err(Unwelcome("() has no place on the wire".into()))
    }
    fn serialize_unit_variant(
        self,
        of: &'static str,
        n: u32,
        name: &'static str,
    ) -> Result<Shape, Unwelcome> {
        Ok(Shape::Variant(of, n, name, None))
    }
    fn serialize_newtype_struct<T: Serialize + ?Sized>(
        self,
        name: &'static str,
        value: &T,
    ) -> Result<Shape, Unwelcome> {
        Ok(Shape::Named(name, Box::new(shape(value)?)))
    }
    fn serialize_newtype_variant<T: Serialize + ?Sized>(
        self,
        of: &'static str,
        number: u32,
        name: &'static str,
        value: &T,
    ) -> Result<Shape, Unwelcome> {
        Ok(Shape::Variant(of, number, name, Some(Box::new(shape(value)?))))
    }
    fn serialize_seq(self, _: Option<usize>) -> Result<Parts, Unwelcome> {
        Ok(Parts::new(|parts| Shape::Sequence(nameless(parts))))
    }
    fn serialize_tuple(self, _: usize) -> Result<Parts, Unwelcome> {
        Ok(Parts::new(|parts| Shape::Tuple(nameless(parts))))
    }
    fn serialize_tuple_struct(self, name: &'static str, _: usize) -> Result<Parts, Unwelcome> {
        Ok(Parts::new(move |parts| Shape::Named(name, Box::new(Shape::Tuple(nameless(parts))))))
    }
    fn serialize_tuple_variant(
        self,
        of: &'static str,
        _: u32,
        name: &'static str,
        _: usize,
    ) -> Result<Self::SerializeTupleVariant, Unwelcome> {
        Err(Unwelcome(format!("{of}::{name}: give the fields of a variant names")))
    }
    fn serialize_map(self, _: Option<usize>) -> Result<Self::SerializeMap, Unwelcome> {
        Err(Unwelcome("a map has no place on the wire".into()))
    }
    fn serialize_struct(self, name: &'static str, _: usize) -> Result<Parts, Unwelcome> {
        Ok(Parts::new(move |parts| Shape::Struct(name, parts)))
    }
    fn serialize_struct_variant(
        self,
        of: &'static str,
        number: u32,
        name: &'static str,
        _: usize,
    ) -> Result<Parts, Unwelcome> {
        Ok(Parts::new(move |parts| {
            Shape::Variant(of, number, name, Some(Box::new(Shape::Struct(name, parts))))
        }))
    }
}

macro_rules! composed {
    ($($trait:ident $method:ident($($name:ident)?);)*) => {
        $(impl ser::$trait for Parts {
            type Ok = Shape;
            type Error = Unwelcome;
            fn $method<T: Serialize + ?Sized>(&mut self, $($name: &'static str,)? value: &T) -> Result<(), Unwelcome> {
                self.push(composed!(@ $($name)?), value)
            }
            fn end(self) -> Result<Shape, Unwelcome> {
                Ok(self.whole())
            }
        })*
    };
    (@) => { "" };
    (@ $name:ident) => { $name };
}

composed! {
    SerializeSeq serialize_element();
    SerializeTuple serialize_element();
    SerializeTupleStruct serialize_field();
    SerializeStruct serialize_field(name);
    SerializeStructVariant serialize_field(name);
}

/// Names of all variants of the enum `T`, in the order of their numbers, whether or not a sample shows them.
///
/// # Panics
/// When `T` is no enum.
pub fn variants<T: DeserializeOwned>() -> &'static [&'static str] {
    variants_of(|asker| T::deserialize(asker).map(drop))
}

/// [`variants`] for a type that borrows: `ask` deserialises it from the [`Asker`].
///
/// # Panics
/// When `ask` asks for no enum.
pub fn variants_of(ask: impl FnOnce(Asker) -> Result<(), Variants>) -> &'static [&'static str] {
    match ask(Asker) {
        Err(Variants(Some(names))) => names,
        _ => panic!("this type is no enum"),
    }
}

/// A deserialiser that only listens to which enum is asked for.
#[derive(Clone, Copy, Debug)]
pub struct Asker;

/// The answer of an [`Asker`], in the clothes of an error.
#[derive(Debug)]
pub struct Variants(Option<&'static [&'static str]>);

impl fmt::Display for Variants {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{:?}", self.0)
    }
}

impl std::error::Error for Variants {}

impl de::Error for Variants {
    fn custom<T: fmt::Display>(_: T) -> Self {
        Self(None)
    }
}

impl<'de> de::Deserializer<'de> for Asker {
    type Error = Variants;

    fn deserialize_any<V: Visitor<'de>>(self, _: V) -> Result<V::Value, Variants> {
        Err(Variants(None))
    }

    fn deserialize_enum<V: Visitor<'de>>(
        self,
        _: &'static str,
        variants: &'static [&'static str],
        _: V,
    ) -> Result<V::Value, Variants> {
        Err(Variants(Some(variants)))
    }

    serde::forward_to_deserialize_any! {
        bool i8 i16 i32 i64 u8 u16 u32 u64 f32 f64 char str string bytes byte_buf option unit unit_struct
        newtype_struct seq tuple tuple_struct map struct identifier ignored_any
    }
}
