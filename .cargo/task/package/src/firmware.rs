//! The image: as ELF, as the bytes of the flash, and what it is in words.

use crate::Error;
use crate::files::{Folder, sha256};
use crate::tool::Versions;
use object::Endianness;
use object::elf::{FileHeader32, PT_LOAD};
use object::read::elf::{FileHeader, ProgramHeader};
use wyelog_task::{Output, TARGET, Toolchain, image_of};

/// Flash is a few hundred KiB: an image that spreads over more than this is not one.
const LARGEST: u64 = 16 << 20;

/// What erased flash reads.
const ERASED: u8 = 0xFF;

/// Builds a board's image if it is not up to date and puts it into `folder`.
pub fn add(folder: &Folder, board: &str, versions: &Versions) -> Result<(), Error> {
    let toolchain = Toolchain::installed()?;
    let elf = image_of(board, toolchain, Output::Kept)?;
    let bytes = std::fs::read(&elf).map_err(Error::file(&elf))?;
    let (address, flash) = flash_image(&bytes).map_err(|what| Error::Image { path: elf.clone(), what })?;
    let name = format!("wyelog-{board}-{}", versions.firmware);
    folder.write(&format!("firmware/{name}.elf"), &bytes)?;
    folder.write(&format!("firmware/{name}.bin"), &flash)?;
    let sum = |ending: &str| sha256(&folder.path().join(format!("firmware/{name}.{ending}")));
    let text = format!(
        "board     {board}\nfirmware  {}\nschema    {}\ntarget    {TARGET}\nbuilt by  {}\nelf       {name}.elf\n          \
         {} bytes, sha256 {}\nbin       {name}.bin\n          {} bytes from address {address:#010x}, sha256 {}\n",
        versions.firmware,
        versions.schema,
        toolchain.compiler(),
        bytes.len(),
        sum("elf")?,
        flash.len(),
        sum("bin")?,
    );
    folder.write(&format!("firmware/{name}.txt"), text.as_bytes())
}

/// The bytes that lie in flash, and the address of the first. What lies between segments reads as erased.
fn flash_image(elf: &[u8]) -> Result<(u64, Vec<u8>), String> {
    let words = |error: object::Error| error.to_string();
    let header = FileHeader32::<Endianness>::parse(elf).map_err(words)?;
    let endian = header.endian().map_err(words)?;
    let mut pieces = Vec::new();
    for segment in header.program_headers(endian, elf).map_err(words)? {
        let data = segment.data(endian, elf).map_err(|()| "a segment lies outside of the file".to_owned())?;
        if segment.p_type(endian) == PT_LOAD && !data.is_empty() {
            pieces.push((u64::from(segment.p_paddr(endian)), data));
        }
    }
    let first = pieces.iter().map(|piece| piece.0).min().ok_or("nothing in it is to be loaded")?;
    let end = pieces.iter().map(|piece| piece.0 + piece.1.len() as u64).max().unwrap_or(first);
    if end - first > LARGEST {
        return Err(format!("what is to be loaded spreads over {} bytes", end - first));
    }
    let mut flash = vec![ERASED; (end - first) as usize];
    for (address, data) in pieces {
        let at = (address - first) as usize;
        flash[at..at + data.len()].copy_from_slice(data);
    }
    Ok((first, flash))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// An ELF file of two segments, at 0x100 and 0x108, and a third that takes no room in flash.
    fn elf() -> Vec<u8> {
        let mut elf = Vec::new();
        // e_ident: 32 bits, little endian; then type, machine, version, entry, phoff, shoff, flags.
        elf.extend([0x7F, b'E', b'L', b'F', 1, 1, 1, 0, 0, 0, 0, 0, 0, 0, 0, 0, 2, 0, 40, 0, 1, 0, 0, 0]);
        for word in [0x100_u32, 52, 0, 0] {
            elf.extend(word.to_le_bytes());
        }
        // ehsize, phentsize, phnum, shentsize, shnum, shstrndx.
        for half in [52_u16, 32, 3, 40, 0, 0] {
            elf.extend(half.to_le_bytes());
        }
        // type, offset, virtual and physical address, size in file, size in memory, flags, alignment.
        for segment in [
            [1_u32, 148, 0x2000_0000, 0x108, 2, 2, 6, 4],
            [1, 150, 0x100, 0x100, 4, 4, 5, 4],
            [1, 154, 0x2000_8000, 0x2000_8000, 0, 64, 6, 4],
        ] {
            for word in segment {
                elf.extend(word.to_le_bytes());
            }
        }
        elf.extend([5, 6, 1, 2, 3, 4]);
        elf
    }

    #[test]
    fn what_is_loaded_lies_where_flash_is() {
        let (first, flash) = flash_image(&elf()).unwrap();
        assert_eq!(first, 0x100);
        assert_eq!(flash, [1, 2, 3, 4, 0xFF, 0xFF, 0xFF, 0xFF, 5, 6]);
    }

    #[test]
    fn what_is_no_image_is_refused() {
        assert!(flash_image(b"not an ELF file").is_err());
        let cut = elf();
        assert!(flash_image(&cut[..cut.len() - 3]).is_err());
        let mut far = elf();
        // The first segment's physical address.
        far[52 + 15] = 0x20;
        assert!(flash_image(&far).unwrap_err().contains("spreads"));
    }
}
