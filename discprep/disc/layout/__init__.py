"""The layout of an ISO 9660 image, from the standard: where everything lies, the structures, the check, the reader.

    fields     numbers, dates, text fields of ECMA-119                        (pure)
    records    directory and path table records, volume descriptors           (pure)
    susp       System Use entries: Rock Ridge, attributes and comments        (pure)
    boot       El Torito: boot record and catalogue                           (pure)
    sizes      where everything will lie, exactly, and bounds that add up     (pure)
    structures the bytes before the files', for that layout                    (pure)
    volume     reads any image's volumes and trees, within bounds
    check      what is wrong with an image
"""
