"""Labels: a person's word on pictures. COCO JSON in and out."""

from swardwright.labels.coco import LabelledPicture, LabelSet, labels_from, picture_path, read_coco, write_coco

__all__ = ["LabelSet", "LabelledPicture", "labels_from", "picture_path", "read_coco", "write_coco"]
