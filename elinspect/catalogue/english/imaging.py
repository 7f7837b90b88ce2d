"""Texts about reading and judging images."""

TEXTS: dict[str, str | tuple[str, str]] = {
    "imaging.missing": "The image {file} does not exist. Check the path, and that the drive or network is connected.",
    "imaging.folder": "{file} is a folder. Name an image file in it.",
    "imaging.not_a_file": (
        "{file} is a device, pipe or socket, not an image file. Copy the picture to a disk and name that file."
    ),
    "imaging.no_permission": "The image {file} may not be read by this user. Have the rights of the file changed.",
    "imaging.unreadable": "The image {file} cannot be read: {cause}. Check the drive or network and try again.",
    "imaging.no_memory": (
        "The image {file} is too large for the memory that is free. Close other programs, or use a smaller picture."
    ),
    "imaging.empty": (
        "The image {file} is empty. If it is still being written, wait and try again; otherwise copy it again from "
        "the camera or retake it."
    ),
    "imaging.truncated": (
        "The image {file} is cut off: part of the picture is missing. If it is still being written, wait and try "
        "again; otherwise copy it again from the camera or retake it."
    ),
    "imaging.damaged": "The image {file} is damaged. Copy it again from the camera or retake it.",
    "imaging.tiff_broken": (
        "The TIFF image {file} cannot be decoded ({cause}). Copy it again from the camera; if that does not help, "
        "save it without compression."
    ),
    "imaging.not_an_image": (
        "{file} is not a PNG, TIFF or JPEG image, whatever its name says. Name the picture the camera wrote, or save "
        "it as a grayscale PNG or TIFF."
    ),
    "imaging.other_format": (
        "{file} is a {format} file, which is not read. Save the picture as a grayscale PNG or TIFF."
    ),
    "imaging.large_file": (
        "The image {file} has {megabytes:.0f} MB; at most {limit:.0f} MB are read. Check that it is a picture of one "
        "panel, or save it with lossless compression."
    ),
    "imaging.large_picture": (
        "The image {file} has {width} x {height} pixels; at most {megapixels:.0f} megapixels and {side} pixels a side"
        " are read. Check that it is the camera's own picture of one panel."
    ),
    "imaging.no_pixels": (
        "The image {file} states a size of {width} x {height} pixels. Copy it again from the camera or retake it."
    ),
    "imaging.coloured": (
        "The image {file} is a colour picture. Save the camera's own grayscale picture, not a view in false colours."
    ),
    "imaging.transparent": (
        "The image {file} is partly transparent. Save it as a grayscale picture without transparency."
    ),
    "imaging.colour_table": (
        "The image {file} was saved with a colour table (palette), so its values are not counts of the sensor. Save "
        "it as grayscale."
    ),
    "imaging.floating_point": (
        "The image {file} holds floating-point numbers, so full scale is not known. Save it as whole numbers of 8 to "
        "16 bits without sign."
    ),
    "imaging.signed": (
        "The image {file} holds numbers with a sign. Save it as whole numbers of 8 to 16 bits without sign."
    ),
    "imaging.depth": "The image {file} has {bits} bits per pixel; 8 to 16 are read. Save the camera's own picture.",
    "imaging.animated": "The image {file} is an animation. Save the one picture that is to be judged.",
    "imaging.several_pictures": (
        "The image {file} holds {n} pictures, and nothing says which one is to be judged. Save that one as its own "
        "file."
    ),
    "imaging.no_picture": "The image {file} holds only previews or masks. Save the full picture.",
    "imaging.kind_of_jpeg": (
        "The image {file} is a kind of JPEG that is not read (lossless, arithmetic, 12-bit or with four channels). "
        "Save it as a grayscale PNG or TIFF."
    ),
    "imaging.sizes_differ": (
        "The image {file} has {width} x {height} pixels, but {other}, to which it belongs, has {other_width} x "
        "{other_height}. Name the pictures of one exposure set."
    ),
    "quality.black": (
        "The image is black everywhere. Check that the supply is on, the probes make contact and the lens is "
        "uncovered, then retake it. An energised panel is live DC: switch the supply off before touching the probes."
    ),
    "quality.white": "The image is white everywhere. Shut out other light, shorten the exposure time and retake it.",
    "quality.one_value": (
        "The image has the same value ({counts:.0f} counts) everywhere. Check the camera and its connection, then "
        "retake it."
    ),
    "quality.overexposed": (
        "{percent:.0f} % of the image is saturated. Shut out other light, shorten the exposure time or lower the "
        "gain, then retake it."
    ),
    "quality.only_noise": (
        "The image shows nothing but noise: no cell lights up. Check that the supply is on, the probes make contact "
        "and the lens is uncovered, then retake it. An energised panel is live DC: switch the supply off before "
        "touching the probes."
    ),
    "quality.weak_signal": (
        "Signal-to-noise is {ratio:.1f}; at least {limit:.1f} is needed to judge by. Retake with a longer exposure "
        "time; check the current and the contact of the probes, and clean glass and lens. An energised panel is live "
        "DC: switch the supply off before touching the probes."
    ),
    "quality.saturated": (
        "{percent:.1f} % of the cells' pixels are saturated (allowed: {limit:.1f} %). Retake with a shorter exposure "
        "time or lower gain."
    ),
    "quality.saturated_picture": (
        "{percent:.0f} % of the image is saturated. Shorten the exposure time or lower the gain, and shut out other "
        "light."
    ),
    "quality.cells_too_small": (
        "The cells are too small in the image to judge by. Move the camera closer, or use the camera's full resolution."
    ),
    "quality.soft": (
        "The image is soft: edges spread over {spread_px:.1f} px (standard deviation). Check the focus, clean glass "
        "and lens, and make sure that nothing moves during the exposure."
    ),
}
